"""Measurements become readings of the places for which their sensors speak; the others wait or are set aside."""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from math import isfinite
from typing import Any

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext as _

from background.lines import as_line
from spools.air.sensors.measurements import (
    HUMIDITY,
    TEMPERATURE,
    Measurement,
    Pair,
    Reason,
    Single,
    Sorted,
    pair_singles,
    sort_values,
)
from spools.air.sensors.placements import Placements, load_placements
from spools.air.storing import Stored, Values, find_readings, store_readings
from spools.checks import lock_spool_facts
from spools.models import HeldValue, Place, Reading, Sensor
from spools.refusals import refusal

MOST_SENSORS, LONGEST_NAME = 5000, 100
# A sensor that has sent humidity for so long without a temperature has no thermometer.
ALONE_AFTER, ALONE_FOR = timedelta(minutes=10), timedelta(days=1)
COLUMNS = ["seen_at", "silent_since", "temperature_c", "temperature_at", "rh_pct", "rh_at"]
COLUMNS += ["battery_pct", "battery_at"]
# Sensor, quantity and time: the same value is sent once more.
Key = tuple[int, str, datetime]


@dataclass
class Counts:
    """Of the values: those in new readings, those that were there before or whose time is closed, those of batteries,
    those that wait for a place or a partner, and those that were set aside. set_aside_values: the first of the last,
    with their reasons.
    """

    added: int = 0
    already_there: int = 0
    batteries: int = 0
    waiting: int = 0
    set_aside: int = 0
    set_aside_values: list[tuple[Measurement, str]] = field(default_factory=list)


@transaction.atomic
def record_measurements(measurements: Iterable[Measurement], *, by: Any = None) -> Counts:
    """Store what sensors sent. Repeated and late values are harmless, and the order of those that come in pairs is of
    no consequence; values that come apart find their partners as they arrive.

    A value that cannot be is set aside, and the others are stored. A sensor that was never seen before is added; its
    values wait until it has a place.
    Refused: a number that is none, a name that is no text, more than MOST_SENSORS sensors.
    """
    batch = _group(measurements)
    lock_spool_facts()
    sensors = _find_sensors(batch)
    recording = _Recording(sensors, by)
    for name, (values, repeated) in batch.items():
        recording.counts.already_there += repeated
        recording.sort(sensors[name], values)
    recording.store()
    return recording.counts


@transaction.atomic
def mark_silent(name: str, at: datetime) -> None:
    """Its broker reports that a sensor is gone: silent at once, unless it has sent a later value."""
    # Whoever records values stores the whole row of the sensor.
    lock_spool_facts()
    sensor = _find_sensors([name])[_clean(name)]
    if sensor.silent_since is None and (sensor.seen_at is None or sensor.seen_at <= at):
        Sensor.objects.filter(pk=sensor.pk).update(silent_since=at)


@transaction.atomic
def mark_seen(name: str, at: datetime) -> None:
    """It reports that it is there again."""
    lock_spool_facts()
    sensor = _find_sensors([name])[_clean(name)]
    if sensor.silent_since is not None and sensor.silent_since <= at:
        Sensor.objects.filter(pk=sensor.pk).update(silent_since=None)


def _group(
    measurements: Iterable[Measurement],
) -> dict[str, tuple[dict[datetime, dict[str, float]], int]]:
    """The values by name of the sensor and time, and how many came twice; the first of these counts."""
    values: dict[str, dict[datetime, dict[str, float]]] = {}
    repeated: dict[str, int] = {}
    cleaned: dict[str, str] = {}
    for raw, quantity, value, at in measurements:
        name = cleaned.get(raw)
        if name is None:
            name = cleaned[raw] = _clean(raw)
        if not isfinite(value):
            raise refusal("not_a_number", _("A value of a sensor is not a finite number."))
        by_time = values.get(name)
        if by_time is None:
            by_time = values[name] = {}
        found = by_time.get(at)
        if found is None:
            by_time[at] = {quantity: value}
        elif quantity in found:
            repeated[name] = repeated.get(name, 0) + 1
        else:
            found[quantity] = value
    return {name: (by_time, repeated.get(name, 0)) for name, by_time in values.items()}


def _clean(name: str) -> str:
    cleaned = as_line(name.strip())
    if not 0 < len(cleaned) <= LONGEST_NAME:
        raise refusal(
            "sensor_name",
            _("The name of a sensor has between 1 and {most} characters.").format(most=LONGEST_NAME),
        )
    return cleaned


def _find_sensors(names: Iterable[str]) -> dict[str, Sensor]:
    """The sensors with these names, by name; new ones are added."""
    wanted = {_clean(name) for name in names}
    sensors = _load_sensors(wanted)
    if new := sorted(wanted - sensors.keys()):
        if Sensor.objects.count() + len(new) > MOST_SENSORS:
            raise refusal(
                "many_sensors",
                _("There are {most} sensors already. Send under the names that they have.").format(
                    most=MOST_SENSORS
                ),
            )
        Sensor.objects.bulk_create((Sensor(name=name) for name in new), ignore_conflicts=True)
        sensors = _load_sensors(wanted)
    return sensors


def _load_sensors(names: Iterable[str]) -> dict[str, Sensor]:
    listed, found = sorted(names), {}
    for start in range(0, len(listed), 500):
        for sensor in Sensor.objects.filter(name__in=listed[start : start + 500]):
            found[sensor.name] = sensor
    return found


class _Recording:
    """What becomes of a batch, gathered first and stored in few statements."""

    def __init__(self, sensors: Mapping[str, Sensor], by: Any) -> None:
        self.sensors = {sensor.pk: sensor for sensor in sensors.values()}
        self.by, self.now, self.counts = by, timezone.now(), Counts()
        self.placements: Placements = load_placements(self.sensors)
        self.sorted: dict[int, Sorted] = {}

    def sort(self, sensor: Sensor, values: dict[datetime, dict[str, float]]) -> None:
        self.sorted[sensor.pk] = sort_values(sensor, values, self.now)

    def store(self) -> None:
        self._leave_out_known()
        for pk, values in self.sorted.items():
            waiting = self.waiting.get(pk, [])
            humidities = [*values.humidities, *(single for name, single in waiting if name == HUMIDITY)]
            temperatures = [
                *values.temperatures,
                *(single for name, single in waiting if name == TEMPERATURE),
            ]
            paired = pair_singles(temperatures, humidities)
            used = {single for pair in paired for single in pair.singles}
            values.pairs += paired
            values.temperatures = [single for single in values.temperatures if single not in used]
            left = [single for single in humidities if single not in used]
            values.humidities = [single for single in left if single.pk is None]
            self._complete(pk, values, left)
        self._store_readings()
        self._hold()
        Sensor.objects.bulk_create(
            self.sensors.values(), update_conflicts=True, unique_fields=["name"], update_fields=COLUMNS
        )

    def _leave_out_known(self) -> None:
        """Pass over values that are held already, and values of times that have a reading."""
        times = {
            pk: [
                *(at for at, *__ in values.set_aside),
                *(pair.at for pair in values.pairs),
                *(single.at for single in (*values.temperatures, *values.humidities)),
            ]
            for pk, values in self.sorted.items()
        }
        held = self._load_held(times)
        wanted: dict[int, list[datetime]] = {}
        for pk, moments in times.items():
            span = (min(moments), max(moments)) if moments else ()
            if span and (place := self.placements.find_throughout(pk, *span)):
                wanted.setdefault(place.pk, []).extend(span)
                continue
            for at in moments:
                if place := self.placements.find(pk, at):
                    wanted.setdefault(place.pk, []).append(at)
        read = find_readings(wanted)
        self.read = read
        held_sensors = {pk for pk, *__ in held}
        for pk, values in self.sorted.items():
            self.counts.batteries += values.batteries
            if pk in held_sensors or any(read.values()):
                self._pass_over(pk, values, held, read)

    def _load_held(self, times: Mapping[int, Sequence[datetime]]) -> dict[Key, str]:
        """The values that are held of these times, and self.waiting: those that may find a partner."""
        moments = [at for its in times.values() for at in its]
        self.waiting: dict[int, list[tuple[str, Single]]] = {}
        if not moments:
            return {}
        margin = timedelta(days=1)
        rows = HeldValue.objects.filter(
            at__gte=_shift(min(moments), -margin), at__lte=_shift(max(moments), margin)
        )
        rows = rows.order_by("at").filter(sensor__in=list(self.sensors)) if len(self.sensors) < 500 else rows
        held: dict[Key, str] = {}
        for pk, sensor, quantity, at, value, reason, left_out in rows.values_list(
            "pk", "sensor", "quantity", "at", "value", "reason", "left_out_at"
        ):
            if reason == Reason.NO_PARTNER and left_out is None:
                self.waiting.setdefault(sensor, []).append((quantity, Single(at, value, pk)))
            held[sensor, quantity, at] = reason
        return held

    def _pass_over(
        self,
        pk: int,
        values: Sorted,
        held: Mapping[Key, str],
        read: Stored,
    ) -> None:
        def is_known(quantity: str, at: datetime) -> bool:
            place = self.placements.find(pk, at)
            return (pk, quantity, at) in held or (place is not None and at in read[place.pk])

        def without_known(quantity: str, singles: list[Single]) -> list[Single]:
            return [single for single in singles if not is_known(quantity, single.at)]

        before = _count(values)
        values.set_aside = [row for row in values.set_aside if not is_known(row[1], row[0])]
        pairs, values.pairs = values.pairs, []
        for pair in pairs:
            known = [is_known(quantity, pair.at) for quantity in (TEMPERATURE, HUMIDITY)]
            if not any(known):
                values.pairs.append(pair)
            elif not known[0]:
                values.temperatures.append(Single(pair.at, pair.temperature_c))
            elif not known[1]:
                values.humidities.append(Single(pair.at, pair.rh_pct))
        values.temperatures = without_known(TEMPERATURE, values.temperatures)
        values.humidities = without_known(HUMIDITY, values.humidities)
        self.counts.already_there += before - _count(values)

    def _complete(self, pk: int, values: Sorted, left: Iterable[Single]) -> None:
        """Humidity of a sensor without a thermometer gets the temperature that its place assumes."""
        sensor, completed = self.sensors[pk], set()
        for single in left:
            since = sensor.temperature_at
            is_alone = sensor.added_at < self.now - ALONE_AFTER
            if not is_alone or (since is not None and abs(single.at - since) < ALONE_FOR):
                continue
            if place := self.placements.find(pk, single.at):
                assumed = Pair(single.at, place.assumed_temperature_c, single.value, (single,), True)
                values.pairs.append(assumed)
                completed.add(single)
        values.humidities = [single for single in values.humidities if single not in completed]

    def _store_readings(self) -> None:
        readings: dict[str, dict[Place, dict[datetime, Values]]] = {}
        done: list[int] = []
        taken: Counter[str] = Counter()
        for pk, values in self.sorted.items():
            without_place = []
            if self._take_whole(pk, values.pairs, readings):
                taken[Reading.Origin.API] += len(values.pairs)
                values.pairs = []
                continue
            for pair in values.pairs:
                place = self.placements.find(pk, pair.at)
                if place is None:
                    without_place.append(pair)
                    continue
                done += [single.pk for single in pair.singles if single.pk is not None]
                origin: str = Reading.Origin.HUMIDITY if pair.is_assumed else Reading.Origin.API
                by_time = readings.setdefault(origin, {}).setdefault(place, {})
                by_time.setdefault(pair.at, (pair.temperature_c, pair.rh_pct))
                taken[origin] += 1
            values.pairs = without_place
        for origin, by_place in readings.items():
            known = {place.pk: self.read.get(place.pk, {}) for place in by_place}
            stored = store_readings(by_place, origin=origin, by=self.by, known=known)
            values_each = 1 if origin == Reading.Origin.HUMIDITY else 2
            added = sum(len(times) for times in stored.values())
            self.counts.added += values_each * added
            # Times of another sensor of the place, and of hours that are closed.
            self.counts.already_there += values_each * (taken[origin] - added)
        for start in range(0, len(done), 500):
            HeldValue.objects.filter(pk__in=done[start : start + 500]).delete()

    def _take_whole(
        self, pk: int, pairs: Sequence[Pair], readings: dict[str, dict[Place, dict[datetime, Values]]]
    ) -> bool:
        """Take pairs that came as such and are all of one place, which most are; whether they are so."""
        if not pairs or any(pair.singles for pair in pairs):
            return False
        place = self.placements.find_throughout(pk, pairs[0].at, pairs[-1].at)
        if place is None:
            return False
        by_time = readings.setdefault(Reading.Origin.API, {}).setdefault(place, {})
        by_time.update({pair.at: (pair.temperature_c, pair.rh_pct) for pair in pairs} | by_time)
        return True

    def _hold(self) -> None:
        rows = []
        for pk, values in self.sorted.items():
            waiting = [
                *((pair.at, TEMPERATURE, pair.temperature_c) for pair in values.pairs),
                *((pair.at, HUMIDITY, pair.rh_pct) for pair in values.pairs),
                *((single.at, TEMPERATURE, single.value) for single in values.temperatures),
                *((single.at, HUMIDITY, single.value) for single in values.humidities),
            ]
            self.counts.waiting += len(waiting)
            self.counts.set_aside += len(values.set_aside)
            for at, quantity, value, reason in values.set_aside[:10]:
                measurement = Measurement(self.sensors[pk].name, quantity, value, at)
                self.counts.set_aside_values.append((measurement, reason))
            for at, quantity, value in waiting:
                is_placed = self.placements.find(pk, at) is not None
                kind = Reason.NO_PARTNER if is_placed else Reason.NO_PLACE
                rows.append(HeldValue(sensor_id=pk, quantity=quantity, at=at, value=value, reason=kind))
            rows += [
                HeldValue(sensor_id=pk, quantity=quantity, at=at, value=value, reason=reason)
                for at, quantity, value, reason in values.set_aside
            ]
        HeldValue.objects.bulk_create(rows, ignore_conflicts=True, batch_size=1000)


def _count(values: Sorted) -> int:
    singles = len(values.temperatures) + len(values.humidities)
    return 2 * len(values.pairs) + singles + len(values.set_aside)


def _shift(at: datetime, by: timedelta) -> datetime:
    """A time moved, but not beyond the calendar."""
    try:
        return at + by
    except OverflowError:
        return at
