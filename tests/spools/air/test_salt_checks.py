"""Salt checks correct the readings of a hygrometer, and all that rests on them."""

from datetime import timedelta

import pytest
from django.utils import timezone

from spools.air import climate
from spools.air.dry_box import box_now
from spools.air.salt_checks import load_hygrometers, off_rh_pct, record_salt_check
from spools.board import board
from spools.facts import withdraw
from spools.models import Reading, SaltCheck, SpoolBoard
from spools.moisture import cache, state
from tests.refusals import refuses
from tests.spools.air.conftest import NOW_H, at
from tests.spools.conftest import hours_ago, receive

pytestmark = pytest.mark.django_db


@pytest.fixture
def read_shelf(shelf):
    """A shelf whose sensor read 22 °C and 50 % RH in each of the last 60 hours."""
    climate.record_readings(shelf, [(hours_ago(h), 22, 50) for h in range(60)], origin="api")
    return shelf


def test_the_difference_to_the_salt_is_the_error(shelf):
    check = record_salt_check(shelf, 80, 25)
    assert off_rh_pct(check) == pytest.approx(80 - 75.29, abs=0.02)
    assert check.at - check.began_at == timedelta(hours=12)


def test_the_latest_check_before_a_reading_corrects_it_and_the_bag_counts_not(shelf):
    first = record_salt_check(shelf, 80, 25, at=hours_ago(100))
    record_salt_check(shelf, 72, 25, at=hours_ago(50), hours=10)
    hygrometer = load_hygrometers([shelf.pk])[shelf.pk]
    for hours, rh_pct in [(120, 50), (101, None), (99, 45.3), (61, 45.3), (59, None), (51, None), (49, 53.3)]:
        corrected = hygrometer.corrected_rh_pct(hours_ago(hours), 50)
        assert corrected == (None if rh_pct is None else pytest.approx(rh_pct, abs=0.02)), hours
    assert hygrometer.corrected_rh_pct(hours_ago(40), 99) == 100
    withdraw(first, reason="another box")
    assert load_hygrometers([shelf.pk])[shelf.pk].corrected_rh_pct(hours_ago(99), 50) == 50


@pytest.mark.parametrize(
    ("values", "code", "field"),
    [
        ({"rh_pct": 40}, "salt_check_implausible", "rh_pct"),
        ({"rh_pct": 130}, "out_of_range", "rh_pct"),
        ({"temperature_c": 70}, "out_of_range", "temperature_c"),
        ({"hours": 0.5}, "out_of_range", "hours"),
        ({"at": timezone.now() + timedelta(days=2)}, "in_the_future", "at"),
    ],
)
def test_an_impossible_check_is_refused(shelf, values, code, field):
    with refuses(code, field):
        record_salt_check(shelf, **({"rh_pct": 75, "temperature_c": 23} | values))
    assert not SaltCheck.objects.exists()


def test_two_checks_at_one_time_are_refused(shelf):
    when = hours_ago(3)
    record_salt_check(shelf, 75, 25, at=when)
    with refuses("recorded_already", "at"):
        record_salt_check(shelf, 76, 25, at=when)


def test_readings_stay_as_they_came(read_shelf):
    record_salt_check(read_shelf, 80.3, 25, at=hours_ago(20))
    assert set(Reading.objects.values_list("rh_pct", flat=True)) == {50}
    now = climate.climate_at(read_shelf)
    assert now.rh_pct == pytest.approx(45, abs=0.05)
    assert now.source.values["off_rh_pct"] == pytest.approx(5, abs=0.05)


def derived(spools, now):
    board.refresh([spool.pk for spool in spools], now)
    rows = [board.values_of(row) | {"generation": 0} for row in SpoolBoard.objects.order_by("pk")]
    states = state.moisture_of(spools, now)
    return [states[spool.pk].winding.state.to_bytes() for spool in spools], rows


def test_withdrawing_a_check_leaves_all_derived_numbers_as_before(nylon, read_shelf):
    spools, now = [receive(nylon, read_shelf), receive(nylon, read_shelf, at=hours_ago(30))], timezone.now()
    before = derived(spools, now)
    check = record_salt_check(read_shelf, 80, 25, at=hours_ago(24))
    corrected = derived(spools, now)
    assert corrected[0] != before[0] and corrected[1] != before[1]
    assert cache.rebuild(spools, now) == []
    withdraw(check, reason="the bag was open")
    assert derived(spools, now) == before
    assert cache.rebuild(spools, now) == []


def test_a_checked_hygrometer_is_believed_more(clock, charged):
    computed_pct = box_now(charged).computed_rh_pct
    off_pct = 0.25 * max(10, computed_pct) + 4
    readings = [(at(NOW_H - h), 22, max(10, computed_pct) + off_pct) for h in range(8)]
    climate.record_readings(charged, readings, origin="api")
    assert box_now(charged).findings == []
    record_salt_check(charged, 75.3, 25, at=at(NOW_H - 30))
    box = box_now(charged)
    assert box.is_checked and [finding.code for finding in box.findings] == ["dry_box.leak"]
