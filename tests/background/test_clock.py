"""Clocks that were wrong: put back, put forward and corrected, stopped for a week, changed to summer time."""

from datetime import UTC, datetime, timedelta

import pytest
import time_machine
from django.contrib.auth.models import Group
from django.utils import timezone

from background import running
from background.clock import ClockWatch
from background.models import WorkItem
from background.queries import last_runs
from background.queue import background_work, enqueue, enqueue_slots, repeated_work
from background.running import claim_next, run_due, run_item

pytestmark = pytest.mark.django_db
State = WorkItem.State
NOON = datetime(2031, 5, 6, 12, 7, tzinfo=UTC)


@pytest.fixture(autouse=True)
def new_clock_watch(empty_registry, monkeypatch):
    monkeypatch.setattr(running, "_watch", ClockWatch())


@pytest.fixture
def clock():
    with time_machine.travel(NOON, tick=False) as traveller:
        yield traveller


@pytest.fixture
def look():
    """Work that is repeated each quarter of an hour and leaves a row a run."""

    @repeated_work(name="look", minutes=15)
    def look():
        Group.objects.create(name=str(Group.objects.count()))


def runs() -> int:
    return Group.objects.count()


def go_on(clock, start: datetime, minutes: int) -> list[int]:
    """Sweep each minute from then on; the runs after each."""
    counts = []
    for minute in range(minutes):
        clock.move_to(start + timedelta(minutes=minute))
        run_due()
        counts.append(runs())
    return counts


def test_put_back_by_an_hour_repeated_work_goes_on_at_once_and_at_its_pace(clock, look):
    go_on(clock, NOON, 61)
    before = runs()
    assert before == 5
    counts = go_on(clock, NOON, 61)
    assert counts[0] == before + 1
    assert counts[-1] == before + 5, "one at once, then one in each quarter of an hour"


def test_a_worker_that_starts_with_the_right_clock_puts_right_what_the_wrong_one_left(
    clock, look, monkeypatch
):
    clock.move_to(NOON + timedelta(days=365))
    run_due()
    monkeypatch.setattr(running, "_watch", ClockWatch())
    clock.move_to(NOON)
    assert run_due() == 1
    (run,) = last_runs()
    assert run.finished == NOON, "no run is shown as one of next year"


def test_a_year_ahead_and_corrected(clock, look):
    run_due()
    go_on(clock, NOON + timedelta(days=365), 20)
    before = runs()
    assert go_on(clock, NOON + timedelta(minutes=1), 1) == [before + 1]
    assert WorkItem.objects.filter(added__gt=NOON + timedelta(minutes=2)).count() == 0


def test_a_second_of_difference_between_two_computers_runs_nothing_twice(clock, look, monkeypatch):
    ahead = NOON.replace(minute=15)
    clock.move_to(ahead)
    run_due()
    monkeypatch.setattr(running, "_watch", ClockWatch())
    clock.move_to(ahead - timedelta(seconds=1))
    run_due()
    clock.move_to(ahead)
    assert run_due() == 0
    assert runs() == 2, "one in each of the two slots"


def test_work_that_waits_for_a_time_of_the_wrong_clock_comes_back(clock):
    background_work("mark")(lambda: Group.objects.create(name="a"))
    clock.move_to(NOON + timedelta(days=365))
    run_due()
    enqueue("mark")
    enqueue("mark", due=timezone.now() + timedelta(minutes=10))
    clock.move_to(NOON)
    assert run_due() == 1
    assert WorkItem.objects.get(state=State.QUEUED).due == NOON + timedelta(minutes=10)


def test_work_that_was_postponed_by_a_right_clock_stays_at_its_time(clock):
    background_work("mark")(lambda: None)
    tomorrow = NOON + timedelta(days=1)
    enqueue("mark", due=tomorrow)
    clock.move_to(NOON + timedelta(hours=1))
    run_due()
    clock.move_to(NOON)
    run_due()
    assert WorkItem.objects.get().due == tomorrow


def test_a_try_that_failed_under_the_wrong_clock_is_repeated_after_its_delay(clock):
    @background_work("fail")
    def fail():
        raise RuntimeError

    enqueue("fail")
    clock.move_to(NOON + timedelta(days=365))
    run_due()
    clock.move_to(NOON)
    run_due()
    assert WorkItem.objects.get().due == NOON + timedelta(seconds=15)


def test_a_lease_of_the_wrong_clock_holds_no_longer_than_a_run_may_take(clock):
    background_work("mark", limit_s=60)(lambda: Group.objects.create(name="a"))
    clock.move_to(NOON + timedelta(days=365))
    run_due()
    enqueue("mark")
    assert claim_next(timezone.now())
    clock.move_to(NOON)
    assert run_due() == 0
    clock.move_to(NOON + timedelta(seconds=91))
    assert run_due() == 1


def test_a_run_whose_lease_ended_by_a_jump_of_the_clock_has_no_double(clock):
    background_work("mark")(lambda: Group.objects.create(name=str(Group.objects.count())))
    enqueue("mark")
    slow = claim_next(timezone.now())
    assert slow is not None
    clock.move_to(NOON + timedelta(hours=1))
    assert run_due() == 1
    run_item(slow)
    assert runs() == 1


def test_after_a_week_repeated_work_runs_once(clock, look):
    run_due()
    clock.move_to(NOON + timedelta(days=7))
    assert run_due() == 1


@pytest.mark.parametrize("day", ["2031-03-30", "2031-10-26"])
def test_slots_do_not_follow_summer_time(clock, look, settings, day):
    """In Berlin 2:00 does not come on one of these days, and comes twice on the other."""
    settings.TIME_ZONE = "Europe/Berlin"
    night = datetime.fromisoformat(f"{day}T00:00Z")
    for quarter in range(12):
        enqueue_slots(night + timedelta(minutes=15 * quarter, seconds=1))
        WorkItem.objects.update(state=State.DONE)
    assert WorkItem.objects.count() == 12
