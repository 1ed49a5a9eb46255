"""What people decide about sensors: their places, and values that were set aside."""

from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Any

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext as _

from spools.air.sensors.measurements import Measurement, Reason
from spools.air.sensors.recording import Counts, record_measurements
from spools.checks import lock_spool_facts, require_past_time
from spools.facts import follows_withdrawal
from spools.models import HeldValue, Place, Sensor, SensorPlacement
from spools.refusals import refusal
from spools.wording import format_time

# Values that wait for a place or were set aside; those without a partner.
KEEP_HELD, KEEP_SINGLE = timedelta(days=90), timedelta(days=2)
# What may count after all.
ADMITTED = (Reason.FUTURE,)


@transaction.atomic
def place_sensor(
    sensor: Sensor, place: Place | None, *, start: datetime | None = None, by: Any = None
) -> SensorPlacement:
    """From a time on, now if not given, a sensor speaks for a place, or for none until it is placed again.

    Values that waited for that become readings. Refused: a time in the future, a place that is out of use, a second
    placement at the same time.
    """
    start = require_past_time(start, field="start")
    if place is not None and place.retired_at is not None:
        raise refusal(
            "place_out_of_use",
            _("{place} is out of use since {retired_at}. Choose another place.").format(
                place=place, retired_at=format_time(place.retired_at)
            ),
            "place",
        )
    lock_spool_facts()
    if sensor.placements.valid().filter(start=start).exists():
        raise refusal(
            "placed_then",
            _("This sensor has a place from that time on already. Withdraw that one, or give another time."),
            "start",
        )
    placement = SensorPlacement.objects.create(sensor=sensor, place=place, start=start, recorded_by=by)
    _release(sensor)
    return placement


@follows_withdrawal(SensorPlacement)
def _follow_withdrawal(placement: SensorPlacement) -> None:
    """Readings that it brought stay where they are: they are withdrawn on the page of their place."""
    _release(placement.sensor)


def _release(sensor: Sensor) -> None:
    """Values that wait for a place are sorted anew."""
    waiting = HeldValue.objects.filter(sensor=sensor, reason=Reason.NO_PLACE, left_out_at=None)
    values = [
        Measurement(sensor.name, quantity, value, at)
        for quantity, value, at in waiting.values_list("quantity", "value", "at")
    ]
    waiting.delete()
    record_measurements(values)


@transaction.atomic
def admit_values(held: Iterable[HeldValue], *, by: Any = None) -> Counts:
    """Values that were set aside count after all. Refused: one that cannot be, or whose time has not come."""
    held = list(held)
    for value in held:
        if value.reason not in ADMITTED:
            raise refusal("not_admitted", _("Only a value whose time has come since can count after all."))
        require_past_time(value.at)
    rows = HeldValue.objects.filter(pk__in=[value.pk for value in held])
    values = [
        Measurement(name, quantity, value, at)
        for name, quantity, value, at in rows.values_list("sensor__name", "quantity", "value", "at")
    ]
    rows.delete()
    return record_measurements(values, by=by)


def leave_out_values(held: Iterable[HeldValue]) -> int:
    """Values that were set aside are shown no more. Sent again, they stay left out."""
    rows = HeldValue.objects.filter(pk__in=[value.pk for value in held], left_out_at=None)
    return rows.update(left_out_at=timezone.now())


def prune_held(now: datetime) -> int:
    """Delete held values that are old; returns their number."""
    singles = HeldValue.objects.filter(reason=Reason.NO_PARTNER, recorded_at__lt=now - KEEP_SINGLE)
    old = HeldValue.objects.filter(recorded_at__lt=now - KEEP_HELD)
    return singles.delete()[0] + old.delete()[0]
