"""Ways out where all of a spool cannot be dried, or not without too much heat: its outer turns, or several runs."""

import math
from typing import NamedTuple

from spools.drying import heat_budget
from spools.drying.drafts import DryerLoad
from spools.drying.options import DRYING_PROBE_HOURS, round_hours
from spools.drying.search import TURNS_RESERVE
from spools.physics_inputs import SMALL_JOB_G, advance_windings, hours_until_dry


class Turns(NamedTuple):
    """The drying of a small job's turns alone: their mass, the set point, the hours in all."""

    mass_g: float
    set_point_c: float
    hours: float


class Runs(NamedTuple):
    """Several runs with dry storage between: how many, and the hours of each."""

    number: int
    hours: float


def offer_turns(load: DryerLoad, n: int) -> Turns | None:
    """The quickest drying of a small job's turns of spool n that keeps to the heat budget; None without one."""
    spool, state = load.spools[n], load.states[n]
    drafts = [draft for draft in load.drafts if draft.possible and not load.is_floored(draft.set_point_c, n)]
    started = advance_windings(
        [(state.winding, [load.heated_air(*draft.first)] if draft.first else []) for draft in drafts]
    )
    exact_h = hours_until_dry(
        [
            (winding, load.heated_air(draft.set_point_c))
            for winding, draft in zip(started, drafts, strict=True)
        ],
        [load.targets_pct[n]] * len(drafts),
        [SMALL_JOB_G] * len(drafts),
        DRYING_PROBE_HOURS,
    )
    turns = []
    for draft, exact in zip(drafts, exact_h, strict=True):
        if exact is None:
            continue
        hours = round_hours(TURNS_RESERVE * exact + (draft.first.hours if draft.first else 0.0))
        if (heat_budget.run_share(spool, draft.stages(hours)) or 0.0) <= heat_budget.ALL:
            turns.append(Turns(SMALL_JOB_G, draft.set_point_c, hours))
    return min(turns, key=lambda offer: (offer.hours, offer.set_point_c), default=None)


def offer_runs(hours: float, share: float) -> Runs:
    """The runs in which a drying over the heat budget of one run keeps to it."""
    number = math.ceil(share)
    return Runs(number, round_hours(hours / number))
