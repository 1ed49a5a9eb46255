"""Polymers that water softens: how dry they must be before a dryer may get hotter, and when they are.

PVA and BVOH: ambient moisture lowers the glass transition by about 34 K (fixtures/reference/README.md, what
caps the drying temperature, and thermal_values.csv). So a run starts no hotter than that transition, and at 45 °C
at most, with the dryer's error added and whatever the spool probably holds. It gets hotter only when even the
wettest turns are probably hard: their
transition, with the water that they hold by then, is no lower than the set point and the dryer's error
together. The catalogue's softening point is the wet one, its Tg the dry one; that the wet one belongs to the
uptake at 50 % RH is our reading of "ambient moisture".
"""

from collections.abc import Sequence
from datetime import datetime

from spools.air.climate import room_airs
from spools.catalogue.values import material_values
from spools.models import Place, Spool
from spools.moisture.state import moisture_of
from spools.physics.air import ZERO_C
from spools.physics.softening import water_to_stand
from spools.physics_inputs import ConstantAir, Winding, hours_until_all_dry

START_CAP_C = 45.0
# The least first stage, however dry the spool probably is, by the same reference as for wet amorphous ones.
LEAST_FIRST_H = 2.0
PROBE_HOURS = (2, 3, 4, 5, 6, 8, 10, 12, 15, 18, 21, 24, 30, 36, 42, 48, 60, 72)


def hard_up_to_pct(spool: Spool, temperature_c: float) -> float:
    """The most moisture, %, with which a polymer that water softens is still hard at a temperature."""
    polymer = spool.feedstock.polymer
    ambient_pct = material_values(spool.feedstock).w50_pct
    if polymer.tg_c is None or polymer.tg_c <= polymer.softening_c:
        return 0.0
    return water_to_stand(
        temperature_c + ZERO_C, polymer.tg_c + ZERO_C, polymer.softening_c + ZERO_C, ambient_pct
    )


def first_stage_hours(
    stages: Sequence[tuple[Spool, Winding, ConstantAir]], temperatures_c: Sequence[Sequence[float]]
) -> list[list[float | None]]:
    """The hours that each first stage needs, in its air, before the spool is hard at each of its temperatures.

    None: more than the last of PROBE_HOURS. At least LEAST_FIRST_H.
    """
    limits_pct = [
        [hard_up_to_pct(spool, celsius) for celsius in each]
        for (spool, *_), each in zip(stages, temperatures_c, strict=True)
    ]
    needed = hours_until_all_dry([(winding, air) for _, winding, air in stages], limits_pct, PROBE_HOURS)
    return [
        [None if hours is None else max(LEAST_FIRST_H, hours) for hours in hours_of_stage]
        for hours_of_stage in needed
    ]


def first_stage_hours_in(
    spools: Sequence[Spool], dryer: Place, first_c: float, set_point_c: float, at: datetime | None
) -> list[float | None]:
    """The same for spools as they are at a time, in a dryer in its room's air, before its set point."""
    room = room_airs([dryer], at)[dryer.pk]
    hot = room.heated(first_c, spools=len(spools))
    states = moisture_of(spools, at)
    hardest_c = set_point_c + dryer.set_point_error_c
    stages = [(spool, states[spool.pk].winding, hot) for spool in spools]
    return [hours for (hours,) in first_stage_hours(stages, [[hardest_c]] * len(spools))]
