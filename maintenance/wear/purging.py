"""A change of material: which leftovers in the hot end matter, and how to purge them.

Common practice, no source. The temperatures are those of the catalogue: what melts only above the new
temperature stays as a plug, what is heated far beyond its own window chars.
"""

from dataclasses import dataclass

# A material bears so much more than its window while it is pushed through without standing still.
# Common practice, no source.
SPARE_K = 30.0
CLEAN = "until the strand is smooth and of one colour"


@dataclass(frozen=True)
class PurgeMaterial:
    """A material in a hot end: its print window in °C, its filler, its fumes when overheated."""

    polymer: str
    nozzle_min_c: float
    nozzle_max_c: float
    filler: str = ""
    overheated: str = ""


@dataclass(frozen=True)
class MaterialChange:
    """The leftovers in the hot end and the remedy. matters: they can spoil the print or do harm."""

    matters: bool
    sentence: str
    remedy: str


def assess_change(old: PurgeMaterial, new: PurgeMaterial, nozzle_c: float) -> MaterialChange:
    """From the old material to the new one, which will be printed at nozzle_c."""
    if old.nozzle_min_c > nozzle_c:
        return MaterialChange(
            True,
            f"{old.polymer} was in it last and flows from {old.nozzle_min_c:.0f} °C on: "
            f"at {nozzle_c:.0f} °C its leftovers do not melt out.",
            _from_hotter(old, new, nozzle_c),
        )
    before = (
        f"Purge at {old.nozzle_min_c:.0f} to {old.nozzle_max_c:.0f} °C before you heat to {nozzle_c:.0f} °C"
    )
    if old.overheated and nozzle_c > old.nozzle_max_c:
        return MaterialChange(
            True,
            f"{old.polymer} was in it last: at {nozzle_c:.0f} °C, above its {old.nozzle_max_c:.0f} °C, "
            f"it gives off {old.overheated}.",
            f"{before}, {CLEAN}; ventilate.",
        )
    if nozzle_c > old.nozzle_max_c + SPARE_K:
        return MaterialChange(
            False,
            f"{old.polymer} was in it last and chars at {nozzle_c:.0f} °C "
            f"({old.nozzle_max_c:.0f} °C at most).",
            f"{before}, {CLEAN}.",
        )
    if old.filler and not new.filler:
        return MaterialChange(
            False,
            f"{old.polymer} with {old.filler} was in it last: its particles come out for a while.",
            f"Purge {CLEAN}, then once as much; they show in clear and thin-walled parts.",
        )
    return MaterialChange(
        False, f"{old.polymer} was in it last; it melts at {nozzle_c:.0f} °C, too.", f"Purge {CLEAN}."
    )


def _from_hotter(old: PurgeMaterial, new: PurgeMaterial, nozzle_c: float) -> str:
    purge_c = old.nozzle_min_c
    if purge_c <= new.nozzle_max_c:
        return f"Purge with {new.polymer} at {purge_c:.0f} °C {CLEAN}, then go down to {nozzle_c:.0f} °C."
    if not new.overheated and purge_c <= new.nozzle_max_c + SPARE_K:
        return (
            f"Purge with {new.polymer} at {purge_c:.0f} °C {CLEAN}, without a pause: it bears no more than "
            f"{new.nozzle_max_c:.0f} °C for long. Then go down to {nozzle_c:.0f} °C."
        )
    harm = f"it would give off {new.overheated}" if new.overheated else "it would char"
    return (
        f"Do not heat {new.polymer} to {purge_c:.0f} °C: {harm}. Purge at {purge_c:.0f} °C with a purging "
        f"compound or a material that bears it, {CLEAN}, clean with a cold pull, then load {new.polymer}."
    )
