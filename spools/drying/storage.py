"""The places where a dried spool may go, and how long it stays good there: in a dry box or bag desiccant fills up."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from django.utils import timezone

from spools.air.bags import close_bag, is_computed_bag
from spools.air.climate import Climate, climates_now
from spools.air.dry_box_cache import charges_at
from spools.air.dry_box_facts import build_box, build_sorbers, is_complete
from spools.air.enclosures import count_openings, forecast_in_box
from spools.air.hygrometer import computed_errors
from spools.drying.forecast import cross_limits, forecast_contents, limits_of
from spools.drying.options import STORAGE_PROBE_HOURS, StaysGood
from spools.models import Place, Spool
from spools.physics.drybox import Box
from spools.physics_inputs import SMALL_JOB_G, Array, ConstantAir, Winding, forecast_through

# The driest place is the one that is so after a week: a fresh bag still holds the air of its room.
DRIEST_AFTER_H = 168.0


@dataclass(frozen=True)
class Storage:
    """A place and its air now. room: of a dry box with desiccant, and of bags, whose air ahead is computed.

    box: such a dry box.
    """

    place: Place
    climate: Climate
    room: Climate | None = None
    box: Box | None = None

    def airs(self, spool: Spool, winding: Winding) -> list[ConstantAir]:
        """The air that a spool finds there when it comes now, one after the other; the last one goes on."""
        moved = self.place.moved_air
        if self.room is None:
            return [self.climate.constant(moving=moved)]
        room = self.room.temperature_c, self.room.rh_pct
        winding_g, water_pct = 1000 * winding.geometry.mass_kg, float(np.median(winding.mean_pct()))
        if self.box is None:
            pieces = close_bag(self.place, spool, winding_g, water_pct, room)
        else:
            sorbers = build_sorbers(spool, winding_g)
            pieces = forecast_in_box(self.box, sorbers, water_pct, self.climate.rh_pct, room)
        return [ConstantAir(*piece, moved, errors=computed_errors(self.place)) for piece in pieces]


def load_storages(at: datetime | None = None) -> list[Storage]:
    """All places but the dryers, with their air at a time. A fixed number of queries, some more with dry boxes."""
    at = at or timezone.now()
    places = list(Place.objects.in_use().exclude(kind=Place.Kind.DRYER).select_related("room"))
    climates = climates_now(places, at)
    charges = charges_at([place for place in places if is_complete(place)], at)
    enclosed = [place for place in places if place.pk in charges or is_computed_bag(place)]
    rooms = climates_now([place.room for place in enclosed if place.room], at) if enclosed else {}
    openings = count_openings(charges.keys(), at) if charges else {}
    return [
        Storage(
            place,
            climates[place.pk],
            rooms[place.room_id] if place in enclosed and place.room_id else None,
            build_box(place, charges[place.pk], openings[place.pk]) if place.pk in charges else None,
        )
        for place in places
    ]


def choose_driest(storages: Sequence[Storage], spool: Spool, winding: Winding) -> Storage | None:
    """The place but printers that is the driest after a week with this spool in it; None where there is none."""
    places = [storage for storage in storages if storage.place.kind != Place.Kind.PRINTER]
    return min(
        places,
        key=lambda storage: (_later_rh_pct(storage.airs(spool, winding)), storage.place.pk),
        default=None,
    )


def _later_rh_pct(airs: Sequence[ConstantAir]) -> float:
    passed_h = 0.0
    for air in airs:
        passed_h += air.hours
        if passed_h >= DRIEST_AFTER_H:
            return air.rh_pct
    return airs[-1].rh_pct


def truncate(airs: Sequence[ConstantAir], hours: float) -> list[ConstantAir]:
    """The first hours of airs of which the last one goes on."""
    shortened, left_h = [], hours
    for air in airs[:-1]:
        if left_h <= air.hours:
            break
        shortened.append(air)
        left_h -= air.hours
    return [*shortened, airs[len(shortened)]._replace(hours=left_h)]


def forecast_storage(
    spools: Sequence[Spool],
    dried: Sequence[Winding],
    masses_g: Sequence[float | None],
    storages: Sequence[Storage],
) -> list[list[StaysGood]]:
    """For each dried spool how long it prints well and stays printable in each place.

    masses_g: the outer turns that count, of each; None for those of a small job.
    """
    outer_g = [SMALL_JOB_G if mass_g is None else mass_g for mass_g in masses_g]
    lanes = [
        (spool, winding, [storage.airs(spool, winding) for storage in storages])
        for spool, winding in zip(spools, dried, strict=True)
    ]
    return [
        [StaysGood(storage.place, *both_h) for storage, both_h in zip(storages, hours, strict=True)]
        for hours in forecast_both_times(lanes, outer_g)
    ]


def forecast_both_times(
    lanes: Sequence[tuple[Spool, Winding, Sequence[Sequence[ConstantAir]]]], masses_g: Sequence[float]
) -> list[list[tuple[float | None, ...]]]:
    """As cross_limits, for each spool in each of the airs that follow one another."""
    return [
        [cross_limits(spool, contents) for contents in each]
        for (spool, _, _), each in zip(lanes, forecast_through_airs(lanes, masses_g), strict=True)
    ]


def forecast_through_airs(
    lanes: Sequence[tuple[Spool, Winding, Sequence[Sequence[ConstantAir]]]],
    masses_g: Sequence[float],
    least: int = 1,
) -> list[list[Array]]:
    """As forecast_contents, in airs that follow one another."""
    # Shelves of one room often share their air: one forecast does for all of them.
    constant = [list(dict.fromkeys(airs[0] for airs in each if len(airs) == 1)) for _, _, each in lanes]
    in_constant = forecast_contents(
        [(spool, winding, airs) for (spool, winding, _), airs in zip(lanes, constant, strict=True)],
        masses_g,
        least,
    )
    by_air = [
        dict(zip(airs, contents, strict=True)) for airs, contents in zip(constant, in_constant, strict=True)
    ]
    return [
        [
            by_air[n][airs[0]]
            if len(airs) == 1
            else forecast_through(winding, airs, masses_g[n], limits_of(spool), STORAGE_PROBE_HOURS, least)
            for airs in each
        ]
        for n, (spool, winding, each) in enumerate(lanes)
    ]
