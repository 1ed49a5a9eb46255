"""Heat budget: the share of the hot air that a polymer can bear which its drying runs have used.

Only for polyamides is a budget published, see spools/physics/oxidation.py; for the others the pages say that
there is none. Dark and fibre-filled polyamides last longer; by how much nobody says, so theirs is the same.
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from spools.catalogue.values import material_values
from spools.models import DryingRun, Polymer, Spool
from spools.moisture.history import least_drying_hours
from spools.physics import oxidation
from spools.physics.air import ZERO_C
from spools.statements import Statement

HOTTEST_IN_AIR_C = oxidation.HOTTEST_IN_AIR_K - ZERO_C
HALF, ALL = 0.5, 1.0
SHARE_DIGITS = 9
# PA6, PA6/66, PA12, PPA; not PAEK.
POLYAMIDE = re.compile(r"PP?A(\d|$)")

# A stage of a run: set point in °C, hours.
Stage = tuple[float, float]


@dataclass(frozen=True)
class Heat:
    """The heat that a spool received in dryers: hours, and the share of its budget for life, None without one."""

    hours: float
    life_share: float | None

    @property
    def caution(self) -> Statement | None:
        """The caution once half or all of the budget is used; None before that."""
        if self.life_share is None or self.life_share < HALF:
            return None
        code = "drying.much_heat_used" if self.life_share < ALL else "drying.all_heat_used"
        return Statement(code, {"share": self.life_share})


def is_polyamide(polymer: Polymer) -> bool:
    return POLYAMIDE.match(polymer.name) is not None


def run_share(spool: Spool, stages: Iterable[Stage]) -> float | None:
    """The share of one run's budget that these stages use; None without a budget."""
    if not is_polyamide(spool.feedstock.polymer):
        return None
    # 24 h at 80 °C are all of it and no more, whatever the last bits say.
    return round(oxidation.run_share(_kelvin(stages)), SHARE_DIGITS)


def life_share(spool: Spool, stages: Iterable[Stage]) -> float | None:
    """The share of a spool's budget for life that these stages use; None without a budget."""
    return oxidation.life_share(_kelvin(stages)) if is_polyamide(spool.feedstock.polymer) else None


def usual_life_share(spool: Spool) -> float:
    """The share of the budget for life that one more usual drying of a polyamide uses; 0 for the others."""
    usual_c = material_values(spool.feedstock).dry_set_c
    return life_share(spool, [(usual_c, least_drying_hours(spool))]) or 0.0


def used_up_at(run: DryingRun, at: datetime) -> datetime | None:
    """When a run that goes on has used up the heat budget of one run; None without a budget.

    It counts the time that has elapsed and not the planned one; a time that is over is possible.
    """
    until = at if run.change_at is None else max(at, run.change_at)
    share = run_share(run.spool, run.stages_until(until))
    per_hour = run_share(run.spool, [(run.set_point_c, 1.0)])
    if share is None or per_hour is None:
        return None
    return until + timedelta(hours=(ALL - share) / per_hour)


def compute_heat(spool: Spool, runs: Sequence[DryingRun], at: datetime) -> Heat:
    """The heat that a spool received by then in its drying runs, taken at their set points."""
    stages = [stage for run in runs if run.start < at for stage in run.stages_until(at)]
    return Heat(sum(hours for _, hours in stages), life_share(spool, stages))


def _kelvin(stages: Iterable[Stage]) -> list[Stage]:
    return [(celsius + ZERO_C, hours) for celsius, hours in stages]
