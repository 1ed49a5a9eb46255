"""Residue: carbonised plastic in the hot end. How fast it forms, and the cold pull that takes it out.

Counted in hot hours: an hour at the polymer's normal print temperature counts as one, a hotter one as more
(Arrhenius, maintenance/wear/abrasion.py). Cleaning the hot end starts the count again.
"""

from dataclasses import dataclass

from spools.statements import Statement


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


def advise_pull(polymer: str) -> Statement:
    """How to do it after this polymer."""
    pull = cold_pull(polymer)
    if pull is None:
        return Statement("cold_pull.unknown", {"polymer": polymer, "pla": advise_pull("PLA").as_data()})
    stock = None if polymer.startswith(pull.stock) else pull.stock
    window = {"low_c": pull.low_c, "high_c": pull.high_c}
    return Statement("cold_pull.window", {"polymer": polymer, "stock": stock} | window)
