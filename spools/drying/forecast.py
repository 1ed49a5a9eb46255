"""Forecasts around a drying run: when its spool is dry, and how long it stays good afterwards."""

from collections.abc import Sequence
from datetime import datetime, timedelta

from spools.air.climate import Climate, climates_now, heated_rh_pct, room_airs
from spools.catalogue.values import material_values
from spools.drying.options import DRYING_PROBE_HOURS, STORAGE_PROBE_HOURS
from spools.drying.search import round_up_quarters
from spools.models import DryingRun, Place, Spool
from spools.physics_inputs import DOUBT, SMALL_JOB_G, ConstantAir, Winding, advance_windings, hours_until

# Hours are planned in quarters and the range is wider than this: a time that much later counts as planned.
NEARLY = timedelta(minutes=30)


def estimate_dry_times(
    drying: Sequence[tuple[DryingRun, Winding]], at: datetime, rooms: dict[int, Climate] | None = None
) -> list[datetime | None]:
    """The time at which each whole spool is probably below the target of its run, from its winding at ``at``.

    None: not within the hours that plans look ahead. rooms: the air that each dryer takes in, by its id,
    where the caller has it.
    """
    if not drying:
        return []
    taken_in = room_airs([run.dryer for run, _ in drying], at) if rooms is None else rooms

    def air(run: DryingRun, celsius: float, hours: float) -> ConstantAir:
        room = taken_in[run.dryer_id]
        return ConstantAir(hours, celsius, heated_rh_pct(room.temperature_c, room.rh_pct, celsius), True)

    left_h = [
        max(0.0, (run.change_at - at) / timedelta(hours=1)) if run.change_at else 0.0 for run, _ in drying
    ]
    started = advance_windings(
        [
            (winding, [air(run, run.set_point_at(at), hours)] if hours else [])
            for (run, winding), hours in zip(drying, left_h, strict=True)
        ]
    )
    lanes = [
        (winding, air(run, run.set_point_c, 0.0)) for winding, (run, _) in zip(started, drying, strict=True)
    ]
    targets_pct = [run.target_pct for run, _ in drying]
    needed = hours_until(lanes, targets_pct, None, DRYING_PROBE_HOURS, below=True)
    dry = [bool((winding.outer_pct(None) > run.target_pct).mean() <= DOUBT) for run, winding in drying]
    return [
        at if is_dry else None if hours is None else at + timedelta(hours=first_h + round_up_quarters(hours))
        for is_dry, first_h, hours in zip(dry, left_h, needed, strict=True)
    ]


def needed_until(run: DryingRun, dry_at: datetime | None, now: datetime) -> datetime | None:
    """The time at which a spool is likely dry where the planned hours leave it too wet; else None.

    dry_at: from estimate_dry_times().
    """
    if dry_at is None or dry_at <= max(now, run.planned_end + NEARLY):
        return None
    return dry_at


def forecast_storage(
    spools: Sequence[Spool], dried: Sequence[Winding], mass_g: float | None
) -> list[list[tuple[Place, float | None]]]:
    """For each dried spool the hours until it is over the print limit, in each place but the dryers.

    mass_g: the outer turns that count; None for those of a small job.
    """
    places = list(Place.objects.exclude(kind=Place.Kind.DRYER))
    climates = climates_now(places)
    airs = {
        place: ConstantAir(0.0, climates[place.pk].temperature_c, climates[place.pk].rh_pct, place.moved_air)
        for place in places
    }
    # Shelves of one room often share their air: one forecast does for all of them.
    different = list(dict.fromkeys(airs.values()))
    limits_pct = [material_values(spool.feedstock).limit_hold_pct for spool in spools for _ in different]
    lanes = [(winding, air) for winding in dried for air in different]
    outer_g = SMALL_JOB_G if mass_g is None else mass_g
    hours = iter(hours_until(lanes, limits_pct, outer_g, STORAGE_PROBE_HOURS, below=False))
    by_air = [{air: next(hours) for air in different} for _ in spools]
    return [[(place, hours_by_air[air]) for place, air in airs.items()] for hours_by_air in by_air]
