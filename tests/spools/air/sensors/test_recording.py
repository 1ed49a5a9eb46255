"""Values of sensors become readings, whatever the order in which they come, and however often."""

from datetime import UTC, datetime, timedelta

import pytest
from django.utils import timezone
from hypothesis import given, settings
from hypothesis import strategies as st

from spools.air.sensors.acts import admit_values, leave_out_values, place_sensor, prune_held
from spools.air.sensors.measurements import BATTERY, HUMIDITY, TEMPERATURE, Measurement
from spools.air.sensors.recording import mark_seen, mark_silent, record_measurements
from spools.facts import withdraw
from spools.models import HeldValue, Place, Reading, Sensor
from tests.refusals import refuses

pytestmark = pytest.mark.django_db
MINUTE, SECOND = timedelta(minutes=1), timedelta(seconds=1)


def start() -> datetime:
    return timezone.now().astimezone(UTC).replace(minute=0, second=0, microsecond=0) - timedelta(hours=5)


def pair(
    at: datetime, celsius: float = 21.0, rh_pct: float = 40.0, sensor: str = "shelf"
) -> list[Measurement]:
    return [Measurement(sensor, TEMPERATURE, celsius, at), Measurement(sensor, HUMIDITY, rh_pct, at)]


@pytest.fixture
def shelf() -> Place:
    return Place.objects.create(name="A shelf with a sensor", kind=Place.Kind.SHELF)


def known(place: Place, name: str = "shelf") -> Sensor:
    """A sensor that speaks for a place since long ago."""
    record_measurements([Measurement(name, BATTERY, 90, start() - timedelta(days=9))])
    sensor = Sensor.objects.get(name=name)
    place_sensor(sensor, place, start=start() - timedelta(days=8))
    return sensor


def readings(place: Place) -> list[tuple]:
    return [*Reading.objects.filter(place=place).values_list("at", "temperature_c", "rh_pct", "origin")]


def test_values_wait_until_their_sensor_has_a_place(shelf):
    first = start()
    counts = record_measurements(pair(first) + pair(first + MINUTE, 22))
    assert (counts.added, counts.waiting) == (0, 4)
    assert record_measurements(pair(first)).already_there == 2
    place_sensor(Sensor.objects.get(), shelf, start=first + SECOND)
    assert readings(shelf) == [(first + MINUTE, 22, 40, "api")]
    place_sensor(Sensor.objects.get(), shelf, start=first)
    assert len(readings(shelf)) == 2 and not HeldValue.objects.exists()


def test_a_sensor_speaks_for_each_place_in_its_time_and_for_none_afterwards(shelf):
    other = Place.objects.create(name="Another shelf", kind=Place.Kind.SHELF)
    sensor, first = known(shelf), start()
    moved = place_sensor(sensor, other, start=first + MINUTE)
    place_sensor(sensor, None, start=first + 2 * MINUTE)
    record_measurements([*pair(first), *pair(first + MINUTE), *pair(first + 2 * MINUTE)])
    assert [len(readings(place)) for place in (shelf, other)] == [1, 1]
    assert HeldValue.objects.filter(reason="no_place").count() == 2
    with refuses("placed_then", "start"):
        place_sensor(sensor, shelf, start=first + MINUTE)
    withdraw(moved, reason="It stayed.")
    record_measurements(pair(first + MINUTE + SECOND))
    assert len(readings(shelf)) == 2


def test_temperature_and_humidity_that_come_apart_are_one_reading(shelf):
    known(shelf)
    first = start()
    temperature, humidity = pair(first)
    later = humidity._replace(at=first + 20 * SECOND)
    assert record_measurements([temperature]).waiting == 1
    assert record_measurements([later]).added == 2
    assert readings(shelf) == [(first + 20 * SECOND, 21, 40, "api")]
    # Too far apart, and each is sent again: nothing comes of it.
    late = humidity._replace(at=first + 10 * MINUTE)
    record_measurements([late, later, temperature._replace(at=first + 9 * MINUTE)])
    assert len(readings(shelf)) == 1
    prune_held(timezone.now() + timedelta(days=3))
    assert not HeldValue.objects.exists()


def test_a_sensor_without_a_thermometer_reads_at_the_temperature_that_its_place_assumes(shelf):
    sensor = known(shelf)
    Sensor.objects.filter(pk=sensor.pk).update(added_at=start())
    record_measurements([pair(start())[1]])
    assert readings(shelf) == [(start(), shelf.assumed_temperature_c, 40, "humidity")]


@pytest.mark.parametrize(
    ("celsius", "rh_pct", "reasons"),
    [
        (-127, 40, {"temperature": "impossible", "humidity": "no_partner"}),
        (21, 255, {"humidity": "impossible", "temperature": "no_partner"}),
    ],
)
def test_what_cannot_be_is_set_aside_and_the_rest_counts(shelf, celsius, rh_pct, reasons):
    known(shelf)
    first = start()
    counts = record_measurements(
        [*pair(first), *pair(first + MINUTE, celsius, rh_pct), *pair(first + 2 * MINUTE)]
    )
    assert [row[0] for row in readings(shelf)] == [first, first + 2 * MINUTE]
    assert dict(HeldValue.objects.values_list("quantity", "reason")) == reasons
    assert counts.added + counts.waiting + counts.set_aside == 6
    assert record_measurements(pair(first + MINUTE, celsius, rh_pct)).already_there == 2


def test_a_time_to_come_counts_when_it_has_come_and_a_person_admits_it(shelf):
    known(shelf)
    ahead = timezone.now() + timedelta(hours=1)
    assert record_measurements(pair(ahead)).set_aside == 2
    held = HeldValue.objects.filter(reason="future")
    with refuses("in_the_future", "at"):
        admit_values(held)
    assert leave_out_values(held) == 2 and leave_out_values(held) == 0
    assert record_measurements(pair(ahead)).already_there == 2


def test_an_impossible_value_is_never_admitted(shelf):
    known(shelf)
    record_measurements(pair(start(), -300))
    with refuses("not_admitted"):
        admit_values(HeldValue.objects.filter(reason="impossible"))


def test_a_last_will_is_taken_back_by_a_later_value(shelf):
    sensor = known(shelf)
    mark_silent("shelf", start())
    sensor.refresh_from_db()
    assert sensor.silent_since == start()
    record_measurements(pair(start() - MINUTE))
    sensor.refresh_from_db()
    assert sensor.silent_since == start()
    record_measurements(pair(start() + MINUTE))
    sensor.refresh_from_db()
    assert sensor.silent_since is None
    mark_silent("shelf", start())
    mark_silent("shelf", start() + 2 * MINUTE)
    mark_seen("shelf", start() + 3 * MINUTE)
    sensor.refresh_from_db()
    assert sensor.silent_since is None


def test_names_and_numbers_that_are_none_are_refused(shelf):
    with refuses("sensor_name"):
        record_measurements(pair(start(), sensor=" "))
    with refuses("not_a_number"):
        record_measurements(pair(start(), float("nan")))
    assert not Sensor.objects.exists()


def test_two_sensors_of_a_place_and_names_with_blanks_are_counted_once(shelf):
    known(shelf)
    known(shelf, "other")
    counts = record_measurements(
        [*pair(start()), *pair(start(), 25, sensor="other"), *pair(start() + MINUTE, sensor=" shelf ")]
    )
    assert (counts.added, counts.already_there) == (4, 2)
    assert [row[1] for row in readings(shelf)] == [21, 21]


@settings(max_examples=10)
@given(st.permutations(range(6)), st.lists(st.integers(0, 5), max_size=3), st.integers(1, 6))
def test_order_repeats_and_the_size_of_batches_change_nothing(order, repeated, size):
    """Minutes 0 to 2 come in one message each, 3 to 5 in two; 4 is impossible. A new sensor and shelf each time."""
    name = f"sensor {Sensor.objects.count()}"
    place = Place.objects.create(name=name, kind=Place.Kind.SHELF)
    sensor = known(place, name)
    sent = []
    for n in range(6):
        temperature, humidity = pair(start() + n * MINUTE, 20 + n, 40 if n != 4 else 140, name)
        sent.append([temperature, humidity._replace(at=humidity.at + (n > 2) * SECOND)])
    values = [value for n in [*order, *repeated] for value in (sent[n] if n % 2 else sent[n][::-1])]
    for first in range(0, len(values), size):
        record_measurements(values[first : first + size])
    expected = [(start() + n * MINUTE + (n > 2) * SECOND, 20.0 + n, 40.0, "api") for n in (0, 1, 2, 3, 5)]
    assert readings(place) == expected
    assert {*HeldValue.objects.filter(sensor=sensor).values_list("quantity", "reason")} == {
        ("humidity", "impossible"),
        ("temperature", "no_partner"),
    }
