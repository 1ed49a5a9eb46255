"""Residue: carbonised plastic in the hot end. How fast it forms, and the cold pull that takes it out.

Counted in hot hours: an hour at the polymer's normal print temperature counts as one, a hotter one as more
(Arrhenius, maintenance/wear/abrasion.py). Cleaning the hot end starts the count again.
"""

from dataclasses import dataclass


@dataclass(frozen=True)
class ColdPull:
    """Between which temperatures a filled hot end is pulled empty, °C; with what it is filled."""

    low_c: float
    high_c: float
    stock: str


# One web guide (fixtures/reference/wear_values.csv, cold pull): common practice, no source. By the first
# letters of the polymer's name.
COLD_PULLS = {
    "PLA": ColdPull(80, 100, "PLA"),
    "PETG": ColdPull(90, 120, "PLA"),
    "ABS": ColdPull(100, 140, "ABS"),
    "ASA": ColdPull(100, 140, "ASA"),
    "TPU": ColdPull(80, 110, "PLA"),
    "PA": ColdPull(120, 160, "PA"),
}


def cold_pull(polymer: str) -> ColdPull | None:
    """The window for a hot end that last held this polymer; None where nobody states one."""
    return next((pull for start, pull in COLD_PULLS.items() if polymer.startswith(start)), None)


def pull_advice(polymer: str) -> str:
    """How to do it after this polymer, in words."""
    pull = cold_pull(polymer)
    if pull is None:
        return (
            f"For {polymer} no pull temperature is known here. Push it out at its print temperature with a "
            f"purging compound, then with PLA, and pull that. {pull_advice('PLA')}"
        )
    stock = "the same" if polymer.startswith(pull.stock) else pull.stock
    return (
        f"After {polymer}: fill the hot end with {stock} while it is at print temperature, let it cool to "
        f"{pull.low_c:g} to {pull.high_c:g} °C and pull the filament out in one go. Repeat until the tip "
        "comes out clean (common practice, no source)."
    )
