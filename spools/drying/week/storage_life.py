"""How long a spool stays good enough to print: where it is now, and in storage after a drying."""

import math
from collections.abc import Sequence

from spools.catalogue.values import material_values
from spools.drying.storage import choose_driest
from spools.drying.week.inputs import WeekInputs
from spools.drying.week.slots import SLOTS_H
from spools.models import Spool
from spools.physics_inputs import DOUBT, ConstantAir, Winding, crossing_h, forecast_through, hours_until

STORAGE_PROBE_HOURS = (1, 2, 4, 8, 12, 24, 36, 48, 72, 96, 120, 168, 240)
# Between two probes a winding takes up more than a straight line shows, so less than that time is planned.
SURELY = 0.9
# A spool counts as good up to a little below the print limit only: near its end it takes up water slowly.
OF_LIMIT = 0.97


def good_until(inputs: WeekInputs, spool: Spool) -> int:
    """The last slot in which a spool is good where it is; -1 when it is not good now."""
    limit_pct = OF_LIMIT * material_values(spool.feedstock).limit_hold_pct
    masses_g = inputs.masses_g(spool)

    def is_good(slot: int) -> bool:
        state = inputs.states[slot][spool.pk]
        return all(state.probability_over(limit_pct, mass_g) <= DOUBT for mass_g in masses_g)

    slots = [slot for slot, states in sorted(inputs.states.items()) if spool.pk in states]
    good = [is_good(slot) for slot in slots]
    if all(good):
        return inputs.slots
    first_bad = good.index(False)
    if first_bad == 0:
        return -1
    last_good, following = slots[first_bad - 1 : first_bad + 1]
    state = inputs.states[last_good][spool.pk]
    segment = state.history.segment_at(state.at)
    if segment is None:
        return last_good
    return min(following - 1, last_good + _good_for(inputs, spool, state.winding, [segment.constant_air()]))


def good_for_in_storage(inputs: WeekInputs, spool: Spool, dried: Winding) -> int:
    """Slots that a dried spool surely stays good in the driest storage; 0 where the shop has none."""
    storage = choose_driest(inputs.storages, spool, dried)
    return 0 if storage is None else _good_for(inputs, spool, dried, storage.airs(spool, dried))


def _good_for(inputs: WeekInputs, spool: Spool, winding: Winding, airs: Sequence[ConstantAir]) -> int:
    """Slots that a winding surely stays good in airs; all that are planned when it is longer.

    The result is less by one slot, for a print that is due between two slots.
    """
    limit_pct = OF_LIMIT * material_values(spool.feedstock).limit_hold_pct
    hours = [_hours_below(winding, airs, mass_g, limit_pct) for mass_g in inputs.masses_g(spool)]
    reached = [value for value in hours if value is not None]
    return max(0, math.floor(SURELY * min(reached) * SLOTS_H) - 1) if reached else inputs.slots


def _hours_below(
    winding: Winding, airs: Sequence[ConstantAir], mass_g: float, limit_pct: float
) -> float | None:
    if len(airs) == 1:
        looks_h = STORAGE_PROBE_HOURS
        return hours_until([(winding, airs[0])], [limit_pct], mass_g, looks_h, below=False)[0]
    contents = forecast_through(winding, airs, mass_g, [limit_pct], STORAGE_PROBE_HOURS)
    return crossing_h(contents, STORAGE_PROBE_HOURS, limit_pct, DOUBT, below=False)
