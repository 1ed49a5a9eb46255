"""Old readings give way to their hourly means; all that rests on them stays equal to the bit."""

from datetime import UTC, datetime, timedelta

import pytest
import time_machine

from background.running import run_due
from spools.air import averaging, dry_box_cache
from spools.air.climate import record_readings
from spools.air.dry_box import put_desiccant
from spools.air.hourly import hour_of, load_readings
from spools.air.reading_corrections import correct_reading, withdraw_readings
from spools.air.salt_checks import record_salt_check
from spools.facts import withdraw
from spools.inventory.ledger import weigh
from spools.models import HourlyMean, Place, Reading, WithdrawnReading
from tests.refusals import refuses
from tests.spools.conftest import receive
from tests.spools.derived import derived, require_rebuilt_equal

pytestmark = pytest.mark.django_db
START = datetime(2026, 3, 2, 10, 20, tzinfo=UTC)
NOW_H = 80 * 24


def at(hours: float) -> datetime:
    return START + timedelta(hours=hours)


@pytest.fixture(autouse=True)
def clock(settings):
    settings.KEEP_READINGS_DAYS = 60
    with time_machine.travel(at(NOW_H), tick=False) as traveller:
        yield traveller


def send(place: Place, since_h: float, until_h: float, minutes: float = 25) -> None:
    """Readings of a sensor, uneven enough that the order of a sum shows."""
    count = int((until_h - since_h) * 60 / minutes)
    record_readings(
        place,
        [
            (at(since_h + n * minutes / 60), 20.1 + (n * 7 % 11) / 3, 40 + (n * 5 % 13) / 0.7)
            for n in range(count)
        ],
        origin="api",
    )


def air(place: Place) -> tuple:
    readings = load_readings({place.pk: START}, at(NOW_H))[place.pk]
    return readings.hours, readings.means


def test_all_that_rests_on_readings_is_equal_to_the_bit(nylon, shelf):
    room_box = Place.objects.create(name="Box", kind="dry_box", room=shelf, volume_l=30, half_time_h=33)
    put_desiccant(room_box, "silica_gel", 100, condition="new", at=START)
    spools = [receive(nylon, shelf, at=START), receive(nylon, room_box, at=START)]
    send(shelf, 0, 72)
    send(shelf, NOW_H - 20, NOW_H)
    record_readings(shelf, [(at(80), 21, 44), (at(80.1), 21, 45)], origin="hand")
    record_salt_check(shelf, 78, 22, hours=3, at=at(40))
    withdraw_readings(shelf, at(50), at(52), reason="a stuck sensor")
    admitted = withdraw_readings(shelf, at(60), at(61), reason="a stuck sensor")
    withdraw(admitted, reason="it was right")
    correct_reading(Reading.objects.get(at=at(80)), 21, 43)
    weigh(spools[0], 1190, at=at(60))
    dry_box_cache.advance()
    require_rebuilt_equal(spools)
    before, read, set_aside = derived(spools, at(NOW_H)), air(shelf), WithdrawnReading.objects.count()
    count = Reading.objects.count()
    run_due("reminders")
    assert HourlyMean.objects.count() > 50
    # Those of the hours with withdrawn ones, beside the salt and by hand; and those of the last day.
    kept = {hour_of(t) for t in Reading.objects.values_list("at", flat=True) if t < at(100)}
    assert kept == {hour_of(at(h)) for h in (37, 38, 39, 40, 52, 80)}
    assert Reading.objects.count() < count / 2
    assert WithdrawnReading.objects.count() == set_aside
    assert air(shelf) == read
    assert derived(spools, at(NOW_H)) == before
    require_rebuilt_equal(spools)
    assert dry_box_cache.rebuild() == []
    # What was set aside may still count again.
    withdraw(shelf.reading_withdrawals.valid().get(start=at(50)), reason="it was right")
    assert len(air(shelf)[0]) == len(read[0]) + 2


def test_an_averaged_hour_is_closed(shelf, clock):
    send(shelf, 0, 30)
    send(shelf, NOW_H - 1, NOW_H)
    averaging.average_readings(shelf.pk, None, at(NOW_H))
    means = air(shelf)
    sent_again = [(at(2), 5, 5), (at(2.01), 5, 5)]
    assert record_readings(shelf, sent_again, origin="api") == (0, 2)
    with refuses("readings_averaged", "start"):
        withdraw_readings(shelf, at(20), at(NOW_H), reason="a stuck sensor")
    with refuses("readings_averaged", "at"):
        record_salt_check(shelf, 74, 22, at=at(15))
    assert air(shelf) == means
    # Later ones concern no such hour.
    record_salt_check(shelf, 74, 22, at=at(100))
    withdraw_readings(shelf, at(NOW_H - 1), at(NOW_H), reason="a stuck sensor")


def test_readings_stay_where_they_are_kept_for_ever_or_are_the_last(shelf, settings):
    send(shelf, 0, 3)
    settings.KEEP_READINGS_DAYS = 0
    assert averaging.find_places(at(NOW_H)) == []
    settings.KEEP_READINGS_DAYS = 60
    assert averaging.find_places(at(NOW_H)) == [shelf.pk]
    assert averaging.average_readings(shelf.pk, None, at(NOW_H)) is not None
    assert shelf.readings.exists()
    last = hour_of(shelf.readings.last().at)
    assert {hour_of(t) for t in shelf.readings.values_list("at", flat=True)} == {last}
