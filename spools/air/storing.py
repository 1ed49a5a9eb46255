"""Readings that came are stored for several places at once, and what was computed without them is deleted."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any

from django.db import connection, transaction
from django.db.models import Q
from django.utils import timezone

from background.queue import enqueue
from spools.air.averaged_hours import find_averaged
from spools.air.dry_box_facts import complete_boxes
from spools.air.dry_box_simulation import quarter_of
from spools.air.hourly import LEAST_KEPT, hour_of
from spools.checks import lock_spool_facts
from spools.invalidation import invalidate_after_readings
from spools.models import Place, Reading, ReadingWithdrawal, WithdrawnReading

ADVANCE_ROOM = "spools.advance_boxes_in_room"
# Places in the condition of one query: SQLite takes no thousand of them.
PLACES_AT_ONCE = 100
SPAN_SHARED = timedelta(days=1)
COLUMNS = ("place_id", "at", "temperature_c", "rh_pct", "origin", "recorded_at", "recorded_by_id")
Values = tuple[float, float]
# Readings by place id and time.
Stored = dict[int, dict[datetime, Values]]
# A reading that is to be stored: its place, time, °C and % RH.
Row = tuple[int, datetime, float, float]


@transaction.atomic
def store_readings(
    readings: Mapping[Place, Mapping[datetime, Values]],
    *,
    origin: str,
    by: Any = None,
    known: Stored | None = None,
) -> dict[int, set[datetime]]:
    """Store readings that can be true, as (°C, % RH) by their times. Returns the times that were new, by place id.

    A time that has a reading already, or of which an hourly mean is stored, is passed over. So is one whose reading
    was withdrawn, from a sensor; from others where the values are those that were withdrawn. A sensor's reading within
    a withdrawn span is stored as withdrawn. known: the answer of find_readings for these times, if the caller has it.
    The number of queries does not grow with that of the readings, and little with that of the places.
    """
    lock_spool_facts()
    known = known or find_readings({place.pk: times for place, times in readings.items()})
    old = timezone.now() - LEAST_KEPT
    new = {}
    averaged = find_averaged({place.pk: [at for at in its if at < old] for place, its in readings.items()})
    for place, values_by_time in readings.items():
        closed = known[place.pk].keys() | averaged.get(place.pk, set())
        new[place] = {at: values for at, values in values_by_time.items() if at not in closed}
    if any(new.values()):
        withdrawn_from = set(
            ReadingWithdrawal.objects.filter(place__in=[place.pk for place in new]).values_list(
                "place", flat=True
            )
        )
        new = {
            place: _leave_out_withdrawn(place, fresh, origin, by)
            if fresh and place.pk in withdrawn_from
            else fresh
            for place, fresh in new.items()
        }
        _insert(
            [(place.pk, at, *values) for place, fresh in new.items() for at, values in fresh.items()],
            origin,
            by,
        )
    _invalidate_all({place: fresh for place, fresh in new.items() if fresh})
    return {place.pk: set(fresh) for place, fresh in new.items()}


def find_readings(times: Mapping[int, Iterable[datetime]]) -> Stored:
    """The stored readings of each place, by its id, from the first to the last of its times."""
    found: Stored = {pk: {} for pk in times}
    spans = [(pk, min(its), max(its)) for pk, its in ((pk, list(its)) for pk, its in times.items()) if its]
    for start in range(0, len(spans), PLACES_AT_ONCE):
        group = spans[start : start + PLACES_AT_ONCE]
        first, last = min(span[1] for span in group), max(span[2] for span in group)
        within = Q(place__in=[pk for pk, *__ in group], at__gte=first, at__lte=last)
        if last - first > SPAN_SHARED and len(group) > 1:
            # One that sends old values would read the readings of all of them since then.
            within = Q(pk__in=[])
            for pk, first, last in group:
                within |= Q(place=pk, at__gte=first, at__lte=last)
        rows = Reading.objects.filter(within).order_by().values_list("place", "at", "temperature_c", "rh_pct")
        for pk, at, *values in rows:
            found[pk][at] = (values[0], values[1])
    return found


def _insert(rows: list[Row], origin: str, by: Any) -> None:
    """Without objects of the models, which take longer than the database. The caller holds the lock: all rows are new."""
    if not rows:
        return
    adapt = connection.ops.adapt_datetimefield_value
    now, account = adapt(timezone.now()), None if by is None else by.pk
    # Sensors often send at the same times.
    times = {at: adapt(at) for at in {row[1] for row in rows}}
    values = [
        (pk, times[at], temperature_c, rh_pct, origin, now, account) for pk, at, temperature_c, rh_pct in rows
    ]
    # Its words are constants of this module.
    target = f"{Reading._meta.db_table} ({', '.join(COLUMNS)})"
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            with cursor.copy(f"COPY {target} FROM STDIN") as copy:
                for row in values:
                    copy.write_row(row)
        else:
            marks = ", ".join(["%s"] * len(COLUMNS))
            cursor.executemany(f"INSERT INTO {target} VALUES ({marks})", values)  # noqa: S608


def _invalidate_all(new: Mapping[Place, Mapping[datetime, Values]]) -> None:
    by_hour: dict[datetime, list[Place]] = {}
    for place, fresh in new.items():
        by_hour.setdefault(hour_of(min(fresh)), []).append(place)
    for first_hour, places in by_hour.items():
        for start in range(0, len(places), PLACES_AT_ONCE):
            group = places[start : start + PLACES_AT_ONCE]
            is_current = first_hour == _this_hour()
            newest = {place.pk: new[place][max(new[place])] for place in group} if is_current else None
            invalidate_readings(group, first_hour, newest)


def invalidate_readings(
    places: Sequence[Place], first_at: datetime, newest: Mapping[int, Values] | None = None
) -> None:
    """Delete what was computed with other readings of some places since a time. The caller holds the lock.

    newest: the newest of the readings that are added, by place id, where all of them are of the present hour.
    """
    first_hour = hour_of(first_at)
    invalidate_after_readings(places, first_hour, newest)
    _wake_boxes(places, first_hour)


def _leave_out_withdrawn(
    place: Place, readings: Mapping[datetime, Values], origin: str, by: Any
) -> dict[datetime, Values]:
    """The readings without those that were withdrawn before; a sensor's in a withdrawn span are stored there."""
    first, last = min(readings), max(readings)
    known: dict[datetime, set[Values]] = {}
    withdrawn = WithdrawnReading.objects.filter(withdrawal__place=place, at__gte=first, at__lte=last)
    for at, temperature_c, rh_pct in withdrawn.values_list("at", "temperature_c", "rh_pct"):
        known.setdefault(at, set()).add((temperature_c, rh_pct))
    if origin not in Reading.SENT:
        return {at: values for at, values in readings.items() if values not in known.get(at, ())}
    new = {at: values for at, values in readings.items() if at not in known}
    spans = ReadingWithdrawal.objects.valid().filter(place=place, start__lte=last, end__gte=first)
    for span in spans:
        inside = {at: values for at, values in new.items() if span.start <= at <= span.end}
        WithdrawnReading.objects.bulk_create(
            [
                _measurement(WithdrawnReading, at, values, origin, by, withdrawal=span)
                for at, values in inside.items()
            ],
            batch_size=1000,
        )
        new = {at: values for at, values in new.items() if at not in inside}
    return new


def _measurement(model: Any, at: datetime, values: Values, origin: str, by: Any, **owner: Any) -> Any:
    temperature_c, rh_pct = values
    return model(at=at, temperature_c=temperature_c, rh_pct=rh_pct, origin=origin, recorded_by=by, **owner)


def _this_hour() -> datetime:
    return hour_of(timezone.now())


def _wake_boxes(rooms: Sequence[Place], first_hour: datetime) -> None:
    """Has the air of the dry boxes in these rooms stored again, where readings since a full hour change a sample of it."""
    is_sampled = first_hour < _this_hour() or first_hour == quarter_of(first_hour)
    if is_sampled:
        for pk in {box.room_id for box in complete_boxes()} & {room.pk for room in rooms}:
            enqueue(ADVANCE_ROOM, {"room_id": pk}, singleton_key=f"{ADVANCE_ROOM}:{pk}")
