"""When something may go out. The days on which Berlin changes its clocks: 2026-03-29 and 2026-10-25."""

from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from maintenance.reminders.delivery.times import DAY, LEAST_OPEN, after_quiet, next_digest, quiet_length

BERLIN = ZoneInfo("Europe/Berlin")
ZONES = ["Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "Asia/Kathmandu", "UTC"]
EVENING, MORNING = time(22), time(7)
MOMENTS = st.datetimes(datetime(2026, 1, 1), datetime(2027, 12, 31), timezones=st.just(UTC))
CLOCK = st.times().map(lambda at: at.replace(second=0, microsecond=0))


def berlin(day: str, at: str, fold: int = 0) -> datetime:
    return datetime.fromisoformat(f"{day} {at}").replace(tzinfo=BERLIN, fold=fold).astimezone(UTC)


@pytest.mark.parametrize(
    ("now", "goes"),
    [
        (("2026-06-01", "21:59"), ("2026-06-01", "21:59")),
        (("2026-06-01", "22:00"), ("2026-06-02", "07:00")),
        (("2026-06-01", "23:59"), ("2026-06-02", "07:00")),
        (("2026-06-02", "00:00"), ("2026-06-02", "07:00")),
        (("2026-06-02", "06:59"), ("2026-06-02", "07:00")),
        (("2026-06-02", "07:00"), ("2026-06-02", "07:00")),
        (("2026-12-31", "23:00"), ("2027-01-01", "07:00")),
        # The night of 8 hours, and the one of 10.
        (("2026-03-28", "22:00"), ("2026-03-29", "07:00")),
        (("2026-10-24", "22:00"), ("2026-10-25", "07:00")),
    ],
)
def test_quiet_hours_over_midnight(now, goes):
    assert after_quiet(berlin(*now), EVENING, MORNING, BERLIN) == berlin(*goes)


def test_nights_of_the_change_are_as_long_as_they_are():
    for day, hours in (("2026-03-28", 8), ("2026-10-24", 10), ("2026-06-01", 9)):
        now = berlin(day, "22:00")
        assert after_quiet(now, EVENING, MORNING, BERLIN) - now == timedelta(hours=hours)


def test_an_end_that_is_skipped_or_comes_twice():
    """02:30 is skipped in spring: with the offset before, it is 03:30; in autumn it is the first of both."""
    spring = after_quiet(berlin("2026-03-29", "01:30"), EVENING, time(2, 30), BERLIN)
    assert spring == datetime(2026, 3, 29, 1, 30, tzinfo=UTC) == berlin("2026-03-29", "03:30")
    autumn = after_quiet(berlin("2026-10-25", "01:30"), EVENING, time(2, 30), BERLIN)
    assert autumn == datetime(2026, 10, 25, 0, 30, tzinfo=UTC)
    second = berlin("2026-10-25", "02:15", fold=1)
    assert after_quiet(second, EVENING, time(2, 30), BERLIN) == second


def test_no_quiet_hours():
    now = berlin("2026-06-01", "23:00")
    assert after_quiet(now, None, None, BERLIN) == now


@given(MOMENTS, CLOCK, CLOCK, st.sampled_from(ZONES))
def test_never_in_quiet_hours_never_in_the_past_at_most_a_day_later(now, start, end, zone):
    assume(start != end and DAY - quiet_length(start, end) >= LEAST_OPEN)
    goes = after_quiet(now, start, end, ZoneInfo(zone))
    assert now <= goes <= now + DAY
    assert after_quiet(goes, start, end, ZoneInfo(zone)) == goes
    local = goes.astimezone(ZoneInfo(zone))
    if goes != now:
        # By the wall clock of the day it is the end, or it is where the clock skipped it.
        late = datetime.combine(local.date(), local.time()) - datetime.combine(local.date(), end)
        assert timedelta(0) <= late <= timedelta(hours=1)


@given(MOMENTS, CLOCK, st.sampled_from(ZONES))
def test_the_next_digest_is_later_than_now_and_at_its_time(now, at, zone):
    goes = next_digest(now, at, ZoneInfo(zone))
    assert now < goes <= now + timedelta(hours=25)
    local = goes.astimezone(ZoneInfo(zone)).replace(tzinfo=None)
    assert timedelta(0) <= local - datetime.combine(local.date(), at) <= timedelta(hours=1)


def test_digests_on_the_days_of_the_change():
    assert next_digest(berlin("2026-03-28", "08:00"), MORNING, BERLIN) == berlin("2026-03-29", "07:00")
    second = berlin("2026-10-25", "02:10", fold=1)
    assert next_digest(second, time(2, 30), BERLIN) == berlin("2026-10-26", "02:30")
