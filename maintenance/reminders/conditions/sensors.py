"""Sensors that have fallen silent."""

from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Any, NamedTuple

from django.db.models import OuterRef, Q, QuerySet, Subquery

from maintenance.models import Reminder
from maintenance.reminders.conditions.conditions import Condition
from spools.air.climate import Climate, climates_now
from spools.air.hourly import BELIEVED_FOR
from spools.models import Place, Reading, SensorPlacement, Stay
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
    """A place whose sensor has sent nothing since last_at; its usual interval, and the allowed silence.

    gone: the name of the sensor whose broker reported at last_at that it is gone; empty otherwise.
    """

    place: Place
    last_at: datetime
    interval: timedelta = timedelta(0)
    allowed: timedelta = timedelta(0)
    gone: str = ""


def late_sensors(now: datetime) -> list[Late]:
    """Places in use whose sensor is gone or silent for longer than usual, the longest first. Two queries, more where one
    is gone."""
    late = _gone_sensors(now)
    gone = {sensor.place.pk for sensor in late}
    for place in _in_use(now).filter(before_at__isnull=False).exclude(pk__in=gone):
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


def _gone_sensors(now: datetime) -> list[Late]:
    """Places in use of sensors that are gone, as their broker reports, and for which no other sensor speaks."""
    placements = SensorPlacement.objects.valid().filter(start__lte=now).order_by("start", "id")
    gone = placements.filter(sensor__silent_since__isnull=False).select_related("sensor")
    last = {placement.sensor_id: placement for placement in gone}
    if not last:
        return []
    others = dict(placements.filter(sensor__silent_since=None).values_list("sensor", "place"))
    places = {place.pk: place for place in _in_use(now)}
    return [
        Late(places[placement.place_id], since, gone=placement.sensor.name)
        for placement in last.values()
        if (since := placement.sensor.silent_since)
        and placement.place_id in places
        and placement.place_id not in others.values()
    ]


def _in_use(now: datetime) -> QuerySet[Any]:
    """Places in use, with the times of the last reading of a sensor and of the one INTERVALS before it.

    In use: spools are there, or in a dryer or dry box that stands there.
    """
    occupied = Stay.objects.filter(end=None, spool__ended_at=None).order_by().values("place").distinct()
    used = Place.objects.filter(pk__in=occupied)
    sent = Reading.objects.filter(place=OuterRef("pk"), origin__in=Reading.SENT, at__lte=now)
    times = sent.order_by("-at").values("at")
    return Place.objects.filter(Q(pk__in=occupied) | Q(pk__in=used.values("room"))).annotate(
        last_at=Subquery(times[:1]), before_at=Subquery(times[INTERVALS : INTERVALS + 1])
    )


def _silent(sensor: Late, air: Climate) -> Reminder:
    place, last_at, interval, allowed, gone = sensor
    values = {
        "place": str(place),
        "last_at": last_at.isoformat(),
        "interval_h": round(interval / HOUR, 2),
        "air_origin": air.origin,
        "is_read": air.origin == "reading",
        "temperature_c": round(air.temperature_c),
        "rh_pct": round(air.rh_pct),
    }
    if gone:
        values["sensor"] = gone
    return Reminder(
        kind=Kind.SENSOR,
        condition=f"sensor:place:{place.pk}",
        reason=Statement("reminder.sensor_gone" if gone else "reminder.sensor_silent", values),
        remedy=Statement("reminder_remedy.check_sensor"),
        place=place,
        due_at=last_at + allowed,
    )
