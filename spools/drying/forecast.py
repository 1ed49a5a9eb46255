"""Forecasts around a drying run: when its spool is dry, and how long it stays good in constant air."""

from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from itertools import pairwise

from spools.air.climate import Climate, room_airs
from spools.catalogue.values import material_values
from spools.drying.options import DRYING_PROBE_HOURS, STORAGE_PROBE_HOURS, next_quarter
from spools.drying.search import is_dry
from spools.models import DryingRun, Spool
from spools.physics_inputs import (
    DOUBT,
    Array,
    ConstantAir,
    Winding,
    advance_windings,
    crossing_h,
    forecast_wetting,
    hours_until_dry,
)

# Hours are planned in quarters and the range is wider than this: a time that much later counts as planned.
NEARLY = timedelta(minutes=30)


def count_open_runs(dryer_ids: Iterable[int]) -> Counter[int]:
    """How many spools dry in each of these dryers, by its id."""
    return Counter(DryingRun.objects.filter(end=None, dryer__in=dryer_ids).values_list("dryer", flat=True))


def estimate_dry_times(
    drying: Sequence[tuple[DryingRun, Winding]], at: datetime, rooms: dict[int, Climate] | None = None
) -> list[datetime | None]:
    """The time at which each spool is probably below the target of its run, from its winding at ``at``.

    Even its wettest turns are; where the run is for the outermost grams alone, these are on average.

    Rounded up to a quarter of an hour, so that two looks give one time. None: not within the hours that plans
    look ahead. rooms: the air that each dryer takes in, by its id,
    where the caller has it.
    """
    if not drying:
        return []
    taken_in = room_airs([run.dryer for run, _ in drying], at) if rooms is None else rooms
    together = count_open_runs({run.dryer_id for run, _ in drying})

    def air(run: DryingRun, celsius: float, hours: float) -> ConstantAir:
        return taken_in[run.dryer_id].heated(celsius, hours, max(1, together[run.dryer_id]))

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
    needed = hours_until_dry(lanes, targets_pct, [run.mass_g for run, _ in drying], DRYING_PROBE_HOURS)
    dry = [is_dry(winding, run.target_pct, run.mass_g) for run, winding in drying]
    return [
        at if is_dry else None if hours is None else next_quarter(at + timedelta(hours=first_h + hours))
        for is_dry, first_h, hours in zip(dry, left_h, needed, strict=True)
    ]


def stages_ahead(run: DryingRun, at: datetime, until: datetime) -> list[tuple[float, float]]:
    """(set point in °C, hours) of each stage of a run from a time on."""
    change = run.change_at if run.change_at is not None and at < run.change_at < until else None
    marks = [at, until] if change is None else [at, change, until]
    return [(run.set_point_at(a), (b - a) / timedelta(hours=1)) for a, b in pairwise(marks)]


def needed_until(run: DryingRun, dry_at: datetime | None, now: datetime) -> datetime | None:
    """The time at which a spool is likely dry where the planned hours leave it too wet; else None.

    dry_at: from estimate_dry_times().
    """
    if dry_at is None or dry_at <= max(now, run.planned_end + NEARLY):
        return None
    return dry_at


def forecast_contents(
    lanes: Sequence[tuple[Spool, Winding, Sequence[ConstantAir]]], masses_g: Sequence[float], least: int
) -> list[list[Array]]:
    """The moisture of the outermost grams of each spool in each air, (probes, members), %.

    At 0 h and at STORAGE_PROBE_HOURS, until its limits are crossed or cannot be crossed any more, and at ``least`` so
    many. masses_g: the outer turns that count, of each.
    """
    return [
        forecast_wetting(winding, airs, mass_g, limits_of(spool), STORAGE_PROBE_HOURS, [least] * len(airs))
        for (spool, winding, airs), mass_g in zip(lanes, masses_g, strict=True)
    ]


def limits_of(spool: Spool) -> tuple[float, float]:
    """Up to which moisture it prints well, and its print limit, %."""
    values = material_values(spool.feedstock)
    return values.limit_clear_pct, values.limit_hold_pct


def cross_limits(spool: Spool, contents_pct: Array) -> tuple[float | None, ...]:
    """The hours until a spool may no longer print well and may be over the print limit, from its moisture ahead."""
    return tuple(
        crossing_h(contents_pct, STORAGE_PROBE_HOURS, limit_pct, DOUBT, below=False)
        for limit_pct in limits_of(spool)
    )
