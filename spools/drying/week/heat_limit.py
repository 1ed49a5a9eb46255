"""The longest drying that the heat budget of a spool allows."""

import math
from collections.abc import Sequence

from spools.drying import heat_budget
from spools.drying.week.inputs import WeekInputs
from spools.drying.week.slots import SLOTS_H
from spools.models import Spool
from spools.moisture.state import Moisture


def longest_slots(
    inputs: WeekInputs, spool: Spool, set_point_c: float, before: Sequence[heat_budget.Stage], state: Moisture
) -> int:
    """Slots at a set point until the heat budget is used up, after the stages of the same run before."""
    run_share_per_hour = heat_budget.run_share(spool, [(set_point_c, 1.0)])
    if run_share_per_hour is None:
        return inputs.slots
    life_share = heat_budget.compute_heat(spool, state.history.runs, inputs.begin).life_share or 0.0
    life_share_per_hour = heat_budget.life_share(spool, [(set_point_c, 1.0)]) or 1.0
    hours = min(
        (heat_budget.ALL - (heat_budget.run_share(spool, before) or 0.0)) / run_share_per_hour,
        (heat_budget.ALL - life_share) / life_share_per_hour,
    )
    # A whole number of slots counts as whole, whatever the last bits say.
    return max(0, math.floor(round(hours * SLOTS_H, 3)))
