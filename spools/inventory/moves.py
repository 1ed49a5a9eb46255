"""Where a spool is: one place at a time, from one stay to the next."""

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Q

from spools.checks import in_use, locked, moment, one_writer
from spools.codes import pretty
from spools.invalidation import invalidate_after
from spools.models import DryingRun, Place, Spool, Stay
from spools.wording import format_time


def current_stay(spool: Spool) -> Stay | None:
    """The stay that has not ended, with its place; None once the spool is marked empty."""
    return Stay.objects.filter(spool=spool, end=None).select_related("place").first()


def opened_at(spool: Spool, stays: Iterable[Stay]) -> datetime | None:
    """When the bag that it came in was opened, from its stays in their order; None while it is not."""
    if not spool.sealed:
        return spool.received_at
    return next((stay.start for stay in stays if stay.place.kind != Place.Kind.BAG), None)


@transaction.atomic
def move_spool(spool: Spool, place: Place, *, at: datetime | None = None, by: Any = None) -> Stay:
    """End the present stay and begin one in ``place``. Returns it; the present one if already there.

    Refused: a time before the present stay began or a drying run ended, a spool that is empty or in a
    drying run that is not finished, a dryer that runs.
    """
    held(place)
    spool = locked(spool)
    in_use(spool)
    at = moment(at, spool)
    not_in_run(spool, at)
    not_into_heat(place, at)
    return put(spool, place, at, by)


def put(spool: Spool, place: Place, at: datetime, by: Any) -> Stay:
    """The move itself, for callers that hold the spool's lock and have looked at its drying runs."""
    stay = current_stay(spool)
    if stay is not None:
        if stay.place_id == place.pk:
            return stay
        _end(stay, at)
    new = Stay.objects.create(spool=spool, place=place, start=at, recorded_by=by)
    # When it has come: the spools in a dry box have its company from now on.
    invalidate_after([spool.pk], at)
    return new


@transaction.atomic
def record_excursion(
    spool: Spool, place: Place, start: datetime, end: datetime, *, by: Any = None
) -> list[Stay]:
    """The spool was in ``place`` from start to end, then back where it was. Returns the two new stays.

    Refused unless it lies wholly within the present stay and touches no drying run, its own or one in the
    dryer that it is said to have been in.
    """
    held(place)
    spool = locked(spool)
    in_use(spool)
    start, end = moment(start, spool, "start"), moment(end, spool, "end")
    if end <= start:
        raise ValidationError(
            {"end": f"{format_time(end)} is not after {format_time(start)}. Give a later end."}
        )
    not_in_run(spool, start)
    stay = current_stay(spool)
    if stay is None:
        raise ValidationError(f"Spool {pretty(spool.code)} is in no place. Move it to one first.")
    if stay.place_id == place.pk:
        raise ValidationError(
            {"place": f"Spool {pretty(spool.code)} was in {place} all that time. Choose another."}
        )
    not_into_heat(place, start, end)
    _end(stay, start, "start")
    away = Stay.objects.create(spool=spool, place=place, start=start, end=end, recorded_by=by)
    back = Stay.objects.create(spool=spool, place=stay.place, start=end, recorded_by=by)
    invalidate_after([spool.pk], start)
    return [away, back]


@transaction.atomic
def mark_empty(spool: Spool, *, at: datetime | None = None, by: Any = None) -> Spool:
    """The spool is used up or thrown away: its stay ends and nothing more can be recorded for it."""
    spool = locked(spool)
    in_use(spool)
    at = moment(at, spool)
    not_in_run(spool, at)
    last = spool.mass_entries.standing().order_by("at").last()
    if last is not None and at < last.at:
        raise ValidationError(
            {
                "at": f"Something was recorded for this spool at {format_time(last.at)}. Give a time after that."
            }
        )
    stay = current_stay(spool)
    if stay is not None:
        _end(stay, at)
    invalidate_after([spool.pk], at)
    spool.emptied_at = at
    spool.save(update_fields=["emptied_at"])
    return spool


def not_in_run(spool: Spool, at: datetime) -> None:
    """Refuses a move at a time when the spool was or is in a drying run."""
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
        raise ValidationError(
            f"Spool {pretty(spool.code)} is in a drying run in {run.dryer} since {format_time(run.start)}. "
            "Finish that run first; finishing asks where the spool goes."
        )
    raise ValidationError(
        {
            "at": f"Spool {pretty(spool.code)} was in a drying run until {format_time(run.end)}. "
            "Give a time after that."
        }
    )


def held(place: Place) -> None:
    """Lock a dryer before the spool that moves into it: in that order the start of a drying run locks too."""
    one_writer()
    if place.kind == Place.Kind.DRYER:
        Place.objects.select_for_update().get(pk=place.pk)


def not_into_heat(place: Place, start: datetime, end: datetime | None = None) -> None:
    """Refuses a stay in a dryer that runs then: only a drying run has its set point checked against caps.

    end: when the stay is over; None when that is not known yet. Spools in a run of their own come in by
    spools.drying.start_drying.
    """
    runs = DryingRun.objects.filter(Q(end=None) | Q(end__gt=start), dryer=place).select_related("spool")
    if end is not None:
        runs = runs.filter(start__lt=end)
    run = runs.order_by("start").first()
    if run is None:
        return
    dries = f"{place} dries spool {pretty(run.spool.code)} at {run.temperatures}"
    if run.end is None:
        say = (
            f"{dries} since {format_time(run.start)}, and a spool in it gets as hot. Choose another place, or dry "
            f"this spool in {place} too: that checks how hot it may get."
        )
    else:
        say = (
            f"{dries} from {format_time(run.start)} to {format_time(run.end)}, and a spool in it gets as hot. Choose "
            "another place or another time."
        )
    raise ValidationError({"place": say})


def _end(stay: Stay, at: datetime, field: str = "at") -> None:
    if at <= stay.start:
        raise ValidationError(
            {
                field: f"The spool came to {stay.place} on {format_time(stay.start)}, and {format_time(at)} is not after "
                "that. Give a later time."
            }
        )
    stay.end = at
    stay.save(update_fields=["end"])
