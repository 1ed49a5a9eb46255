"""Where a spool is: one place at a time, from one stay to the next."""

from datetime import datetime
from typing import Any

from django.db import transaction
from django.db.models import Q

from spools.checks import lock_spool, lock_spool_facts, require_in_use, require_past_time
from spools.codes import pretty
from spools.invalidation import invalidate_advice, invalidate_after
from spools.models import DryingRun, Place, Spool, Stay
from spools.refusals import refusal
from spools.wording import format_time


def current_stay(spool: Spool) -> Stay | None:
    """The stay that has not ended, with its place; None once the spool has ended."""
    return Stay.objects.filter(spool=spool, end=None).select_related("place").first()


@transaction.atomic
def move_spool(spool: Spool, place: Place, *, at: datetime | None = None, by: Any = None) -> Stay:
    """Ends the present stay and begins one in ``place``. Returns it; the present one if already there.

    Refused: a time before the present stay began or a drying run ended, a spool that is empty or in a
    drying run that is not finished, a dryer that runs.
    """
    lock_dryer(place)
    spool = lock_spool(spool)
    require_in_use(spool)
    at = require_past_time(at, spool)
    require_not_in_run(spool, at)
    require_unheated(place, at)
    return begin_stay(spool, place, at, by)


def begin_stay(spool: Spool, place: Place, at: datetime, by: Any) -> Stay:
    """Ends the present stay and begins one in ``place``. The caller holds the lock and has checked the runs."""
    stay = current_stay(spool)
    if stay is not None:
        if stay.place_id == place.pk:
            return stay
        end_stay(stay, at)
    new = Stay.objects.create(spool=spool, place=place, start=at, recorded_by=by)
    if place.kind == Place.Kind.DRYER:
        invalidate_advice()
    # After the stay is there: it changes the air of the other spools in a dry box from now on.
    invalidate_after([spool.pk], at)
    return new


@transaction.atomic
def record_excursion(
    spool: Spool, place: Place, start: datetime, end: datetime, *, by: Any = None
) -> list[Stay]:
    """Records that the spool was in ``place`` from start to end, then back. Returns the two new stays.

    Refused: times that do not lie wholly within the present stay, or that touch a drying run of the spool or
    of the dryer.
    """
    lock_dryer(place)
    spool = lock_spool(spool)
    require_in_use(spool)
    start, end = require_past_time(start, spool, "start"), require_past_time(end, spool, "end")
    if end <= start:
        raise refusal(
            "end_before_start",
            f"{format_time(end)} is not after {format_time(start)}. Give a later end.",
            "end",
        )
    require_not_in_run(spool, start)
    stay = current_stay(spool)
    if stay is None:
        raise refusal("no_place", f"Spool {pretty(spool.code)} is in no place. Move it to one first.")
    if stay.place_id == place.pk:
        raise refusal(
            "same_place", f"Spool {pretty(spool.code)} was in {place} all that time. Choose another.", "place"
        )
    require_unheated(place, start, end)
    end_stay(stay, start, "start")
    away = Stay.objects.create(spool=spool, place=place, start=start, end=end, recorded_by=by)
    back = Stay.objects.create(spool=spool, place=stay.place, start=end, recorded_by=by)
    invalidate_after([spool.pk], start)
    return [away, back]


def require_not_in_run(spool: Spool, at: datetime) -> None:
    """Refused: a time at which the spool was or is in a drying run."""
    run = (
        DryingRun.objects.filter(spool=spool)
        .filter(Q(end=None) | Q(end__gt=at))
        .select_related("dryer")
        .order_by("start")
        .last()
    )
    if run is None:
        return
    if run.end is None:
        raise refusal(
            "in_a_run",
            f"Spool {pretty(spool.code)} is in a drying run in {run.dryer} since {format_time(run.start)}. "
            "Finish that run first; finishing asks where the spool goes.",
        )
    raise refusal(
        "in_a_run_then",
        f"Spool {pretty(spool.code)} was in a drying run until {format_time(run.end)}. "
        "Give a time after that.",
        "at",
    )


def lock_dryer(place: Place) -> None:
    """Locks a dryer, before the spool that moves into it: the start of a drying run locks in the same order."""
    lock_spool_facts()
    if place.kind == Place.Kind.DRYER:
        Place.objects.select_for_update(no_key=True).get(pk=place.pk)


def require_unheated(place: Place, start: datetime, end: datetime | None = None) -> None:
    """Refused: a stay in a dryer that runs then; only a drying run has its set point checked against caps.

    end: the end of the stay; None while it is not known. A spool with a run of its own enters the dryer
    through spools.drying.runs.start_drying.
    """
    runs = DryingRun.objects.filter(Q(end=None) | Q(end__gt=start), dryer=place).select_related("spool")
    if end is not None:
        runs = runs.filter(start__lt=end)
    run = runs.order_by("start").first()
    if run is None:
        return
    dries = f"{place} dries spool {pretty(run.spool.code)} at {run.temperatures}"
    if run.end is None:
        advice = (
            f"{dries} since {format_time(run.start)}, and a spool in it gets as hot. Choose another place, or dry "
            f"this spool in {place} too: that checks how hot it may get."
        )
    else:
        advice = (
            f"{dries} from {format_time(run.start)} to {format_time(run.end)}, and a spool in it gets as hot. Choose "
            "another place or another time."
        )
    raise refusal("dryer_in_use", advice, "place")


def end_stay(stay: Stay, at: datetime, field: str = "at") -> None:
    """Ends a stay. Refused: a time that is not after its start."""
    if at <= stay.start:
        raise refusal(
            "before_stay",
            f"The spool came to {stay.place} on {format_time(stay.start)}, and {format_time(at)} is not after "
            "that. Give a later time.",
            field,
        )
    stay.end = at
    stay.save(update_fields=["end"])
    if stay.place.kind == Place.Kind.DRYER:
        invalidate_advice()
