"""The air ahead in a dry box or a bag: its desiccant fills up with the water that leaks in.

A forecast counts the one spool that it is for, none of the others in a box: those are mostly in balance with its air,
and would take up a part of the water. So the humidity rises somewhat too early.
"""

from collections.abc import Collection, Sequence
from datetime import datetime

import numpy as np
from django.db.models import DateTimeField, Q, QuerySet

from background.prepared import Ids, Parameter, PreparedRows
from spools.air.dry_box_cache import OPENINGS_OVER
from spools.air.dry_box_simulation import quarter_of
from spools.models import Stay
from spools.physics import drybox
from spools.physics.air import ZERO_C
from spools.physics.drybox import Box, DryBoxContents, Room
from spools.physics.sorbers import Sorbers

# (hours, °C, % RH), one after the other.
Pieces = list[tuple[float, float, float]]
# Steps of a forecast, in hours: a year in all. A bag follows its spool at first, a box changes slowly.
BAG_AHEAD_H = (*[6.0] * 8, *[24.0] * 12, *[72.0] * 16, *[730.0] * 10)
BOX_AHEAD_H = (*[24.0] * 2, *[72.0] * 4, *[168.0] * 2, *[730.0] * 12)


def forecast_air(
    vessel: Box, sorbers: Sorbers, state: DryBoxContents, room: tuple[float, float], steps_h: Sequence[float]
) -> Pieces:
    """The air in a box or bag from its state on, if the air of the room, °C and % RH, stays as it is."""
    around = Room(0.0, room[0] + ZERO_C, room[1] / 100)
    humidities = drybox.forecast_rh(vessel, sorbers, state, around, [3600 * hours for hours in steps_h])
    return [
        (hours, room[0], rh_pct) for hours, rh_pct in zip(steps_h, (100 * humidities).tolist(), strict=True)
    ]


def forecast_in_box(
    box: Box, sorbers: Sorbers, water_pct: float, rh_pct: float, room: tuple[float, float]
) -> Pieces:
    """The air in a dry box of this humidity with a spool of this much water; its desiccant is in balance."""
    contents = np.full(len(sorbers.mass_kg), water_pct / 100)
    state = DryBoxContents(box.water(rh_pct / 100, room[0] + ZERO_C), contents)
    return forecast_air(box, sorbers, state, room, BOX_AHEAD_H)


def _select_moved() -> QuerySet[Stay]:
    since, until = Parameter("since", DateTimeField()), Parameter("until", DateTimeField())
    in_time = Q(start__gte=since, start__lt=until) | Q(end__gte=since, end__lt=until)
    return Stay.objects.filter(in_time, place__in=Ids("place_ids")).order_by()


_MOVED = PreparedRows(_select_moved)


def count_openings(place_ids: Collection[int], now: datetime) -> dict[int, float]:
    """How often dry boxes were opened a day, by place id: each scan in or out up to the last sample of their air.

    Only up to there, since a later one makes no spool in the box stale. One query.
    """
    until = quarter_of(now)
    since = until - OPENINGS_OVER
    times: dict[int, set[datetime]] = {pk: set() for pk in place_ids}
    for stay in _MOVED.run(place_ids=times, since=since, until=until):
        times[stay.place_id].update(at for at in (stay.start, stay.end) if at and since <= at < until)
    return {pk: len(at) / OPENINGS_OVER.days for pk, at in times.items()}
