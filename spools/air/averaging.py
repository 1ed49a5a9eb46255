"""Single readings of sensors are stored for a set time; then one mean stands for those of an hour, for good.

The mean is the one that all answers used before (spools/air/hourly.py), so nothing that is computed changes, not by a
bit. Where that could not be so later, the readings stay: docs/decisions/102-hourly-means.md.
"""

from collections.abc import Mapping
from datetime import datetime, timedelta

from django.conf import settings
from django.db import transaction

from spools.air.hourly import HOUR, LEAST_KEPT, HourlyReadings, hour_of
from spools.air.salt_checks import load_hygrometers
from spools.checks import lock_spool_facts
from spools.models import HourlyMean, Reading, WithdrawnReading

# Readings that are averaged in one transaction, during which nobody else records a fact.
SPAN = timedelta(days=2)
BATCH = 500
FROM_SENSORS = (Reading.Origin.API, Reading.Origin.HUMIDITY)


def averaged_before(now: datetime) -> datetime | None:
    """The full hour before which readings are averaged; None: never."""
    days = settings.KEEP_READINGS_DAYS
    return hour_of(now - max(timedelta(days=days), LEAST_KEPT)) if days else None


def find_places(now: datetime) -> list[int]:
    """The places with readings that are old enough."""
    before = averaged_before(now)
    if before is None:
        return []
    old = Reading.objects.filter(at__lt=before, origin__in=FROM_SENSORS).order_by()
    return sorted(old.values_list("place", flat=True).distinct())


@transaction.atomic
def average_readings(place_id: int, after: datetime | None, now: datetime) -> datetime | None:
    """Put means in the place of some days of readings, from a time on. Returns the time to go on from; None: done.

    The readings of an hour stay where one was not sent by a sensor, one was withdrawn, or the hygrometer lay beside
    the salt; so do those of an hour with a single one, and those of the last hour in which there are any.
    """
    lock_spool_facts()
    before = averaged_before(now)
    if before is None:
        return None
    readings = Reading.objects.filter(place=place_id)
    newest = readings.order_by("-at").first()
    old = readings.filter(at__lt=before).order_by("at")
    first = (old.filter(at__gte=after) if after else old).first()
    if first is None or newest is None:
        return None
    start = hour_of(first.at)
    end = min(before, start + SPAN)
    rows: dict[datetime, list[Reading]] = {}
    for reading in old.filter(at__gte=start, at__lt=end):
        rows.setdefault(hour_of(reading.at), []).append(reading)
    rows.pop(hour_of(newest.at), None)
    _replace(place_id, _leave_out_kept(place_id, rows, start, end))
    return end


def _leave_out_kept(
    place_id: int, rows: Mapping[datetime, list[Reading]], start: datetime, end: datetime
) -> dict[datetime, list[Reading]]:
    """The hours whose readings may go."""
    withdrawn = WithdrawnReading.objects.filter(withdrawal__place=place_id, at__gte=start, at__lt=end)
    kept = {hour_of(at) for at in withdrawn.values_list("at", flat=True)}
    checks = load_hygrometers([place_id])[place_id].checks
    return {
        hour: readings
        for hour, readings in rows.items()
        if len(readings) > 1
        and hour not in kept
        and all(reading.origin in FROM_SENSORS for reading in readings)
        and not any(check.began_at < hour + HOUR and hour < check.at for check in checks)
    }


def _replace(place_id: int, rows: Mapping[datetime, list[Reading]]) -> None:
    values = [
        (reading.at, reading.temperature_c, reading.rh_pct)
        for readings in rows.values()
        for reading in readings
    ]
    averaged = HourlyReadings.from_rows(values, load_hygrometers([place_id])[place_id])
    HourlyMean.objects.bulk_create(
        [
            HourlyMean(
                place_id=place_id,
                hour=hour,
                temperature_c=temperature_c,
                vapour_pa=vapour_pa,
                readings=len(rows[hour]),
            )
            for hour, (temperature_c, vapour_pa) in zip(averaged.hours, averaged.means, strict=True)
        ]
    )
    ids = [reading.pk for readings in rows.values() for reading in readings]
    for first in range(0, len(ids), BATCH):
        Reading.objects.filter(pk__in=ids[first : first + BATCH]).delete()
