"""Readings that are wrong are withdrawn, admitted again, or replaced by the right values."""

from datetime import datetime
from typing import Any

from django.db import transaction
from django.db.models import Exists, OuterRef, Q
from django.utils.translation import gettext as _

from spools.air.averaged_hours import require_single_readings
from spools.air.csv_import import require_reading
from spools.air.storing import invalidate_readings
from spools.checks import lock_spool_facts, require_past_time
from spools.facts import follows_withdrawal, require_reason
from spools.invalidation import invalidate_boxes_after
from spools.models import Place, Reading, ReadingWithdrawal, WithdrawnReading
from spools.models.places import Measurement
from spools.refusals import refusal
from spools.wording import format_time

COLUMNS = ("at", "temperature_c", "rh_pct", "origin", "recorded_at", "recorded_by_id")
BATCH = 1000


@transaction.atomic
def withdraw_readings(
    place: Place, start: datetime, end: datetime, *, reason: str | None, by: Any = None
) -> ReadingWithdrawal:
    """Withdraw the readings of a place from start to end, both included: they stay on record and do not count.

    A sensor that sends readings of that time again, or later, changes nothing. Returns the withdrawal; to withdraw it
    admits the readings again.

    reason: None where the right values replace them. Refused: no reason, an end before the start, a time without a reading,
    one of which only hourly means are stored.
    """
    reason = "" if reason is None else require_reason(reason)
    lock_spool_facts()
    start, end = require_past_time(start, field="start"), require_past_time(end, field="end")
    if end < start:
        sentence = _("{end} is before {start}.").format(end=format_time(end), start=format_time(start))
        raise refusal("end_before_start", sentence, "end")
    require_single_readings(place, start, end, "start")
    span = ReadingWithdrawal(place=place, start=start, end=end, reason=reason, recorded_by=by)
    readings = list(Reading.objects.filter(_within(span), place=place).order_by("at"))
    if not readings:
        raise refusal(
            "no_readings",
            _("{place} has no reading from {start} to {end}. Give other times.").format(
                place=place, start=format_time(start), end=format_time(end)
            ),
            "start",
        )
    span.save()
    _store(WithdrawnReading, readings, withdrawal=span)
    Reading.objects.filter(_within(span), place=place).delete()
    _invalidate(place, readings[0].at)
    return span


@transaction.atomic
def correct_reading(reading: Reading, temperature_c: float, rh_pct: float, *, by: Any = None) -> Reading:
    """Record the right values for a wrong reading, for the same time. The wrong one is withdrawn.

    Refused: a reading of a sensor, which is withdrawn only; impossible values.
    """
    lock_spool_facts()
    place, at = reading.place, reading.at
    if reading.origin in Reading.SENT:
        sentence = _("A sensor sent this reading. Withdraw it, or record another one.")
        raise refusal("sent_by_sensor", sentence)
    at, temperature_c, rh_pct = require_reading((at, temperature_c, rh_pct))
    if (temperature_c, rh_pct) == (reading.temperature_c, reading.rh_pct):
        raise refusal("same_values", _("These are the values that are stored. Give the right ones."))
    withdraw_readings(place, at, at, reason=None, by=by)
    right = Reading.objects.create(
        place=place,
        at=at,
        temperature_c=temperature_c,
        rh_pct=rh_pct,
        origin=Reading.Origin.HAND,
        recorded_by=by,
    )
    _invalidate(place, at)
    return right


@follows_withdrawal(ReadingWithdrawal)
def admit_readings(span: ReadingWithdrawal) -> None:
    """The readings count again, but for those that another withdrawal covers or that the right values replaced.

    Refused: where the right values replaced all of them.
    """
    place = span.place
    others = ReadingWithdrawal.objects.valid().filter(place=place, start__lte=span.end, end__gte=span.start)
    for other in others:
        # Not the values that a person gave after that withdrawal.
        known = Q(origin__in=Reading.SENT) | Q(recorded_at__lt=other.recorded_at)
        span.readings.filter(_within(other), known).update(withdrawal=other)
    replaced = Reading.objects.filter(place=place, at=OuterRef("at"))
    earlier = WithdrawnReading.objects.filter(withdrawal=span, at=OuterRef("at"), pk__lt=OuterRef("pk"))
    admitted = list(span.readings.exclude(Exists(replaced)).exclude(Exists(earlier)).order_by("at"))
    if not admitted:
        if span.readings.exists():
            sentence = _("The right values of that time count. Withdraw that reading first.")
            raise refusal("reading_replaced", sentence)
        return
    _store(Reading, admitted, place=place)
    _delete(admitted)
    _invalidate(place, admitted[0].at)


def _within(span: ReadingWithdrawal) -> Q:
    return Q(at__gte=span.start, at__lte=span.end)


def _store(model: type[Measurement], measurements: list[Any], **owner: Any) -> None:
    rows = [model(**{name: getattr(each, name) for name in COLUMNS}, **owner) for each in measurements]
    model._default_manager.bulk_create(rows, batch_size=BATCH)


def _delete(readings: list[WithdrawnReading]) -> None:
    for first in range(0, len(readings), BATCH):
        ids = [reading.pk for reading in readings[first : first + BATCH]]
        WithdrawnReading.objects.filter(pk__in=ids).delete()


def _invalidate(place: Place, first_at: datetime) -> None:
    invalidate_readings([place], first_at)
    if place.kind == Place.Kind.DRY_BOX:
        # Its answer compares the computed air with the readings.
        invalidate_boxes_after([place.pk], first_at)
