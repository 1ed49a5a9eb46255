"""Sensors that have fallen silent."""

from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Any, NamedTuple

from django.db.models import OuterRef, Q, QuerySet, Subquery

from maintenance.models import Reminder
from maintenance.reminders.conditions.conditions import Condition
from spools.air.climate import Climate, climates_now
from spools.air.hourly import BELIEVED_FOR
from spools.models import Place, Reading, Stay
from spools.statements import Statement

Kind = Reminder.Kind
HOUR = timedelta(hours=1)
# A sensor is one that sent more readings than this; its usual interval is that between the last of them.
INTERVALS = 10
# Silent: no reading for so many of its intervals, and none recent enough to count. Common practice, no source.
MISSED = 3
# Urgent after so many times the allowed silence, and at least a day.
URGENT_AFTER, DAY = 2, timedelta(days=1)


class Late(NamedTuple):
    """A place whose sensor has sent nothing since last_at; its usual interval, and the allowed silence."""

    place: Place
    last_at: datetime
    interval: timedelta
    allowed: timedelta


def late_sensors(now: datetime) -> list[Late]:
    """Places in use whose sensor is silent for longer than usual, the longest first. One query."""
    late = []
    for place in _with_sensors(now):
        interval = (place.last_at - place.before_at) / INTERVALS
        allowed = max(BELIEVED_FOR, MISSED * interval)
        if now - place.last_at > allowed:
            late.append(Late(place, place.last_at, interval, allowed))
    return sorted(late, key=lambda sensor: sensor.last_at)


def check_sensors(now: datetime) -> Iterator[Condition]:
    """Sensors that are silent for longer than usual."""
    late = late_sensors(now)
    airs = climates_now([sensor.place for sensor in late], now) if late else {}
    for sensor in late:
        urgent = now - sensor.last_at > max(DAY, URGENT_AFTER * sensor.allowed)
        reminder = _silent(sensor, airs[sensor.place.pk])
        yield Condition(reminder, urgent=urgent, last_event_at=sensor.last_at)


def _with_sensors(now: datetime) -> QuerySet[Any]:
    """Places in use with a sensor, with the times of its last reading and of the one INTERVALS before it.

    In use: spools are there, or in a dryer or dry box that stands there.
    """
    occupied = Stay.objects.filter(end=None, spool__ended_at=None).order_by().values("place").distinct()
    used = Place.objects.filter(pk__in=occupied)
    sent = Reading.objects.filter(place=OuterRef("pk"), origin__in=Reading.SENT, at__lte=now)
    times = sent.order_by("-at").values("at")
    return (
        Place.objects.filter(Q(pk__in=occupied) | Q(pk__in=used.values("room")))
        .annotate(last_at=Subquery(times[:1]), before_at=Subquery(times[INTERVALS : INTERVALS + 1]))
        .filter(before_at__isnull=False)
    )


def _silent(sensor: Late, air: Climate) -> Reminder:
    place, last_at, interval, allowed = sensor
    values = {
        "place": str(place),
        "last_at": last_at.isoformat(),
        "interval_h": round(interval / HOUR, 2),
        "air_origin": air.origin,
        "is_read": air.origin == "reading",
        "temperature_c": round(air.temperature_c),
        "rh_pct": round(air.rh_pct),
    }
    return Reminder(
        kind=Kind.SENSOR,
        condition=f"sensor:place:{place.pk}",
        reason=Statement("reminder.sensor_silent", values),
        remedy=Statement("reminder_remedy.check_sensor"),
        place=place,
        due_at=last_at + allowed,
    )
