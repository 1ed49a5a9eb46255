"""A change of material: which leftovers in the hot end matter, and how to purge them.

Common practice, no source. The temperatures are those of the catalogue: what melts only above the new
temperature stays as a plug, what is heated far beyond its own window chars.
"""

from dataclasses import dataclass
from typing import Any

from spools.statements import Statement

# A material bears so much more than its window while it is pushed through without standing still.
# Common practice, no source.
SPARE_K = 30.0


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
    statement: Statement
    remedy: Statement

    @property
    def gives_fumes(self) -> bool:
        return self.statement.code == "purging.leftovers_give_off_fumes"


def assess_change(old: PurgeMaterial, new: PurgeMaterial, nozzle_c: float) -> MaterialChange:
    """From the old material to the new one, which will be printed at nozzle_c."""
    shown_c = float(round(nozzle_c))
    last: dict[str, Any] = {"old": old.polymer, "nozzle_c": shown_c}
    if old.nozzle_min_c > nozzle_c:
        melts = Statement("purging.leftovers_do_not_melt", last | {"old_min_c": old.nozzle_min_c})
        return MaterialChange(True, melts, _from_hotter(old, new, nozzle_c))
    window = {"old_min_c": old.nozzle_min_c, "old_max_c": old.nozzle_max_c, "nozzle_c": shown_c}
    last["old_max_c"] = old.nozzle_max_c
    if old.overheated and nozzle_c > old.nozzle_max_c:
        fumes = Statement("purging.leftovers_give_off_fumes", last | {"fumes": old.overheated})
        return MaterialChange(True, fumes, Statement("purging.before_heating_and_ventilate", window))
    if nozzle_c > old.nozzle_max_c + SPARE_K:
        chars = Statement("purging.leftovers_char", last)
        return MaterialChange(False, chars, Statement("purging.before_heating", window))
    if old.filler and not new.filler:
        particles = Statement("purging.particles_come_out", {"old": old.polymer, "filler": old.filler})
        return MaterialChange(False, particles, Statement("purging.until_clean_and_again"))
    return MaterialChange(False, Statement("purging.leftovers_melt", last), Statement("purging.until_clean"))


def _from_hotter(old: PurgeMaterial, new: PurgeMaterial, nozzle_c: float) -> Statement:
    purge_c = old.nozzle_min_c
    values: dict[str, Any] = {"new": new.polymer, "purge_c": purge_c}
    if purge_c <= new.nozzle_max_c:
        return Statement("purging.with_new_material", values | {"nozzle_c": float(round(nozzle_c))})
    if not new.overheated and purge_c <= new.nozzle_max_c + SPARE_K:
        values |= {"nozzle_c": float(round(nozzle_c)), "new_max_c": new.nozzle_max_c}
        return Statement("purging.with_new_material_without_pause", values)
    return Statement("purging.with_compound", values | {"fumes": new.overheated})
