"""The job table in one process. The effects of the work are rows of auth.Group: any table would do."""

from datetime import UTC, datetime, timedelta

import pytest
import time_machine
from django.contrib.auth.models import Group
from django.db import connection, transaction
from django.utils import timezone

from background.models import WorkItem
from background.queries import failed_items, last_runs, queue_states, workers
from background.queue import (
    background_work,
    bring_forward,
    enqueue,
    enqueue_next,
    enqueue_slots,
    repeated_work,
    run_again,
)
from background.retention import KEEP_DONE, KEEP_FAILED, prune_items
from background.running import (
    ABANDONED,
    MAX_ATTEMPTS,
    AttemptFailed,
    claim_next,
    release_own_leases,
    run_due,
    run_item,
)
from tests.refusals import refuses

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("empty_registry")]
State = WorkItem.State


def queue_length() -> int:
    """How many items wait or run."""
    return sum(queue.waiting + queue.running for queue in queue_states(timezone.now()))


def marks() -> list[str]:
    return list(Group.objects.order_by("name").values_list("name", flat=True))


def make_due(**filters) -> None:
    WorkItem.objects.filter(state=State.QUEUED, **filters).update(due=timezone.now())


def test_work_runs_once_with_its_arguments():
    @background_work("mark")
    def mark(name):
        Group.objects.create(name=name)

    enqueue("mark", {"name": "a"})
    enqueue("mark", {"name": "b"})
    assert queue_length() == 2
    assert run_due() == 2
    assert run_due() == 0
    assert marks() == ["a", "b"]
    assert queue_length() == 0


def test_enqueue_is_part_of_the_callers_transaction():
    background_work("mark")(lambda: None)

    class RolledBack(Exception):
        pass

    with pytest.raises(RolledBack), transaction.atomic():
        enqueue("mark")
        raise RolledBack
    assert queue_length() == 0


def test_a_key_is_taken_once_even_after_the_work_is_done():
    @background_work("mark")
    def mark(name):
        Group.objects.create(name=name)

    enqueue("mark", {"name": "a"}, key="only")
    enqueue("mark", {"name": "b"}, key="only")
    run_due()
    enqueue("mark", {"name": "c"}, key="only")
    run_due()
    assert marks() == ["a"]


def test_work_that_is_due_later_waits():
    background_work("mark")(lambda: Group.objects.create(name="a"))
    enqueue("mark", due=timezone.now() + timedelta(hours=1))
    assert run_due() == 0
    make_due()
    assert run_due() == 1


def test_the_longest_due_comes_first():
    @background_work("mark")
    def mark(name):
        Group.objects.create(name=f"{Group.objects.count()} {name}")

    now = timezone.now()
    enqueue("mark", {"name": "younger"}, due=now - timedelta(minutes=1))
    enqueue("mark", {"name": "older"}, due=now - timedelta(minutes=2))
    run_due()
    assert marks() == ["0 older", "1 younger"]


def test_names_that_nobody_registered_are_refused():
    with pytest.raises(LookupError, match="'nothing'"):
        enqueue("nothing")
    assert queue_length() == 0


def test_a_name_is_registered_once():
    background_work("mark")(lambda: None)
    with pytest.raises(ValueError, match="'mark'"):
        background_work("mark")(lambda: None)


@pytest.fixture
def stopped_clock():
    """Delays are exact, however slow the machine is."""
    with time_machine.travel(datetime(2031, 5, 6, 12, 7, tzinfo=UTC), tick=False):
        yield


def test_failing_work_is_rolled_back_and_retried_until_it_is_given_up(stopped_clock):
    @background_work("fail")
    def fail():
        Group.objects.create(name="must not stay")
        raise RuntimeError("the shelf is full")

    enqueue("fail")
    waits_s = []
    for _ in range(MAX_ATTEMPTS - 1):
        before = timezone.now()
        assert run_due() == 1
        assert run_due() == 0, "it waits for its delay"
        item = WorkItem.objects.get()
        assert item.state == State.QUEUED
        assert "the shelf is full" in item.error
        waits_s.append((item.due - before).total_seconds())
        make_due()
    assert waits_s == [15, 60, 240, 960, 3840]
    assert run_due() == 1
    item = failed_items().get()
    assert item.attempts == MAX_ATTEMPTS
    assert "RuntimeError: the shelf is full" in item.error
    assert run_due() == 0
    assert marks() == []


def test_work_that_fails_once_is_done_at_the_next_attempt():
    attempts = []

    @background_work("second time lucky")
    def lucky():
        attempts.append(1)
        if len(attempts) == 1:
            raise RuntimeError
        Group.objects.create(name="done")

    enqueue("second time lucky")
    run_due()
    make_due()
    run_due()
    assert marks() == ["done"]
    item = WorkItem.objects.get()
    assert (item.state, item.error) == (State.DONE, "")


def test_work_whose_function_is_gone_fails_with_a_reason():
    WorkItem.objects.create(name="gone")
    run_due()
    assert "No function is registered as background work 'gone'" in WorkItem.objects.get().error


def test_an_item_is_claimed_by_one():
    background_work("mark")(lambda: None)
    enqueue("mark")
    now = timezone.now()
    assert claim_next(now) is not None
    assert claim_next(now) is None


def test_a_run_that_lost_its_lease_leaves_no_trace():
    """A worker that was thought dead comes to its end after another one took its work over."""

    @background_work("mark")
    def mark():
        Group.objects.create(name=f"{Group.objects.count()}")

    enqueue("mark")
    slow = claim_next(timezone.now())
    heir = claim_next(timezone.now() + timedelta(hours=1))
    assert slow and heir and slow.pk == heir.pk
    run_item(slow)
    assert marks() == []
    run_item(heir)
    assert marks() == ["0"]
    run_item(slow)
    assert marks() == ["0"]
    assert WorkItem.objects.get().state == State.DONE


def test_a_failure_of_a_run_that_lost_its_lease_does_not_touch_the_heir():
    @background_work("fail")
    def fail():
        raise RuntimeError

    enqueue("fail")
    slow = claim_next(timezone.now())
    heir = claim_next(timezone.now() + timedelta(hours=1))
    assert slow and heir
    with pytest.raises(AttemptFailed):
        run_item(slow)
    item = WorkItem.objects.get()
    assert (item.state, item.claim, item.error) == (State.RUNNING, heir.claim, "")


def test_a_new_worker_of_the_same_name_takes_over_at_once(monkeypatch):
    background_work("mark")(lambda: Group.objects.create(name="a"))
    enqueue("mark")
    monkeypatch.setenv("LOADWORTHY_WORKER", "bench")
    claim_next(timezone.now())
    monkeypatch.setenv("LOADWORTHY_WORKER", "garage")
    release_own_leases()
    assert run_due() == 0
    monkeypatch.setenv("LOADWORTHY_WORKER", "bench")
    release_own_leases()
    assert run_due() == 1


def test_work_that_took_its_worker_down_twice_lets_the_rest_go_first(stopped_clock, monkeypatch):
    background_work("heavy")(lambda: None)
    background_work("mark")(lambda: Group.objects.create(name="a"))
    enqueue("heavy")
    monkeypatch.setenv("LOADWORTHY_WORKER", "bench")
    for _ in range(2):
        claim_next(timezone.now())
        release_own_leases()
    enqueue("mark")
    assert run_due() == 1
    assert marks() == ["a"]
    wait_s = (WorkItem.objects.get(name="heavy").lease_until - timezone.now()).total_seconds()
    assert wait_s == 15


def test_work_that_always_takes_its_worker_down_is_given_up():
    background_work("mark")(lambda: None)
    enqueue("mark")
    for attempt in range(MAX_ATTEMPTS):
        assert claim_next(timezone.now() + timedelta(days=attempt))
    WorkItem.objects.update(lease_until=timezone.now())
    assert run_due() == 0
    assert failed_items().get().error == ABANDONED


def test_an_item_that_had_all_its_attempts_is_not_claimed_any_more():
    background_work("mark")(lambda: None)
    enqueue("mark")
    for attempt in range(MAX_ATTEMPTS):
        assert claim_next(timezone.now() + timedelta(days=attempt))
    assert claim_next(timezone.now() + timedelta(days=MAX_ATTEMPTS)) is None


def test_a_worker_runs_only_what_belongs_to_its_queue():
    background_work("send", queue="delivery")(lambda: Group.objects.create(name="sent"))
    background_work("mark", queue="moisture")(lambda: Group.objects.create(name="marked"))
    enqueue("send")
    enqueue("mark")
    WorkItem.objects.create(name="gone")
    assert run_due(queue="files") == 0
    assert run_due(queue="delivery") == 1
    assert marks() == ["sent"]
    assert run_due(queue="reminders") == 1
    assert "'gone'" in WorkItem.objects.get(name="gone").error
    assert run_due(queue="moisture") == 1
    assert marks() == ["marked", "sent"]


def test_a_round_is_not_queued_while_its_like_waits_or_runs():
    background_work("advance")(lambda: None)

    def queued() -> int:
        enqueue("advance", singleton_key="advance:1")
        enqueue("advance", singleton_key="advance:2")
        return WorkItem.objects.count()

    assert queued() == 2
    first = claim_next(timezone.now())
    assert first is not None
    assert queued() == 2
    run_item(first)
    assert queued() == 3
    run_due()
    assert queued() == 5


def given_up(**values) -> WorkItem:
    return WorkItem.objects.create(
        state=State.FAILED, attempts=MAX_ATTEMPTS, finished=timezone.now(), error="no shelf", **values
    )


def test_work_that_schedules_its_own_next_run_has_the_same_key():
    later = timezone.now() + timedelta(hours=1)
    background_work("drain")(lambda: enqueue_next("drain", {}, later, "drain:1"))
    enqueue("drain", singleton_key="drain:1")
    assert run_due() == 1
    [waiting] = WorkItem.objects.filter(state=State.QUEUED)
    assert (waiting.singleton_key, waiting.due) == ("drain:1", later)
    enqueue("drain", singleton_key="drain:1")
    assert queue_length() == 1


def test_a_run_that_fails_schedules_no_next_run():
    def drain() -> None:
        enqueue_next("drain", {}, timezone.now(), "drain:1")
        raise ZeroDivisionError

    background_work("drain")(drain)
    enqueue("drain", singleton_key="drain:1")
    run_item_that_fails()
    [item] = WorkItem.objects.all()
    assert (item.state, item.singleton_key) == (State.QUEUED, "drain:1")


def run_item_that_fails() -> None:
    item = claim_next(timezone.now())
    assert item is not None
    with pytest.raises(AttemptFailed):
        run_item(item)


def test_a_waiting_row_is_brought_forward_and_never_put_back():
    now = timezone.now()
    background_work("drain")(lambda: None)
    enqueue("drain", due=now + timedelta(hours=2), singleton_key="drain:1")
    for hours, expected in [(3, 2), (1, 1), (2, 1)]:
        bring_forward("drain:1", now + timedelta(hours=hours))
        assert WorkItem.objects.get().due == now + timedelta(hours=expected)
    bring_forward("drain:2", now)


def test_work_that_was_given_up_can_be_run_again():
    background_work("mark")(lambda: Group.objects.create(name="a"))
    item = given_up(name="mark")
    run_again(item.pk)
    assert run_due() == 1
    assert marks() == ["a"]
    assert WorkItem.objects.get().error == ""
    with refuses("queued_again"):
        run_again(item.pk)
    item.delete()
    with refuses("not_kept"):
        run_again(item.pk)


def test_a_round_is_not_run_again_beside_its_like():
    background_work("advance")(lambda: None)
    item = given_up(name="advance", singleton_key="advance:1")
    enqueue("advance", singleton_key="advance:1")
    with refuses("queued_alike"):
        run_again(item.pk)
    assert WorkItem.objects.get(pk=item.pk).state == State.FAILED


def test_queues_are_reported_with_their_oldest_due_work(django_assert_num_queries):
    background_work("send", queue="delivery")(lambda: None)
    now = timezone.now()
    enqueue("send", due=now - timedelta(minutes=3))
    enqueue("send", due=now + timedelta(minutes=3))
    given_up(name="gone")
    with django_assert_num_queries(1):
        result = {queue.name: queue for queue in queue_states(now)}
    assert list(result) == ["moisture", "reminders", "delivery", "files"]
    delivery, reminders = result["delivery"], result["reminders"]
    assert (delivery.waiting, delivery.running, delivery.waits_since) == (2, 0, now - timedelta(minutes=3))
    assert (reminders.waiting, reminders.failed, reminders.waits_since) == (0, 1, None)
    claim_next(now)
    result = {queue.name: queue for queue in queue_states(now)}
    delivery = result["delivery"]
    assert (delivery.waiting, delivery.running, delivery.held) == (1, 1, True)


def test_workers_are_known_by_what_they_ended(monkeypatch):
    background_work("mark")(lambda: None)
    for name in ("bench", "garage", "garage"):
        monkeypatch.setenv("LOADWORTHY_WORKER", name)
        enqueue("mark")
        run_due()
    assert [(worker.name, worker.items) for worker in workers(timezone.now())] == [
        ("garage", 2),
        ("bench", 1),
    ]
    assert workers(timezone.now() + timedelta(days=2)) == []


def test_prepared_values_are_computed_outside_the_transaction(transactional_db):
    observed = {}

    def compute(base):
        observed["computing in a transaction"] = connection.in_atomic_block
        return base + 1

    @background_work("store", prepare=compute)
    def store(base, prepared):
        observed["storing in a transaction"] = connection.in_atomic_block
        Group.objects.create(name=f"{base} {prepared}")

    enqueue("store", {"base": 4})
    run_due()
    assert marks() == ["4 5"]
    assert observed == {"computing in a transaction": False, "storing in a transaction": True}


def test_repeated_work_runs_once_in_a_slot_and_missed_slots_are_not_made_up_for():
    @repeated_work(name="look", minutes=15)
    def look():
        Group.objects.create(name=f"{Group.objects.count()}")

    start = datetime(2031, 5, 6, 12, 1, tzinfo=UTC)
    for minutes in (0, 1, 13, 14, 15, 9 * 60):
        enqueue_slots(start + timedelta(minutes=minutes))
        WorkItem.objects.update(state=State.DONE)
    keys = WorkItem.objects.order_by("key").values_list("key", flat=True)
    assert list(keys) == [f"look:2031-05-06T{time}:00Z" for time in ("12:00", "12:15", "21:00")]


def test_no_slot_is_added_while_the_previous_one_waits_or_runs():
    repeated_work(name="look", minutes=1)(lambda: None)
    start = datetime(2031, 5, 6, 12, tzinfo=UTC)
    for minute in range(3):
        enqueue_slots(start + timedelta(minutes=minute))
    assert WorkItem.objects.count() == 1
    assert claim_next(timezone.now() + timedelta(days=3650))
    enqueue_slots(start + timedelta(minutes=4))
    assert WorkItem.objects.count() == 1


def test_repeated_work_that_failed_waits_no_longer_than_its_period(stopped_clock):
    @repeated_work(name="look", minutes=1)
    def look():
        raise RuntimeError

    waits_s = []
    for _ in range(3):
        run_due()
        waits_s.append((WorkItem.objects.get().due - timezone.now()).total_seconds())
        make_due()
    assert waits_s == [15, 60, 60]


def test_repeated_work_can_be_prepared_outside_the_transaction():
    repeated_work(name="look", hours=1, prepare=lambda: "seen")(
        lambda prepared: Group.objects.create(name=prepared)
    )
    assert run_due() == 1
    assert marks() == ["seen"]


def test_repeated_work_is_part_of_what_is_due():
    repeated_work(name="look", hours=1)(lambda: Group.objects.create(name="looked"))
    assert run_due() == 1
    assert marks() == ["looked"]


def test_a_period_below_a_minute_is_refused():
    with pytest.raises(ValueError, match="shortest period"):
        repeated_work(name="look", minutes=0.5)


def test_old_ended_work_is_pruned_and_the_rest_stays():
    now = timezone.now()
    old_done, old_failed = now - KEEP_DONE - timedelta(hours=1), now - KEEP_FAILED - timedelta(hours=1)
    for key, state, finished in [
        ("old done", State.DONE, old_done),
        ("new done", State.DONE, now),
        ("failed", State.FAILED, old_done),
        ("old failed", State.FAILED, old_failed),
        ("queued after a failure", State.QUEUED, old_failed),
    ]:
        WorkItem.objects.create(name="mark", key=key, state=state, finished=finished)
    assert prune_items(now) == 2
    stored = WorkItem.objects.order_by("key").values_list("key", flat=True)
    assert list(stored) == ["failed", "new done", "queued after a failure"]


def test_the_last_run_of_each_name_is_known(django_assert_num_queries):
    background_work("mark")(lambda: None)
    background_work("never run")(lambda: None)
    enqueue("mark")
    enqueue("mark")
    run_due()
    newest = WorkItem.objects.order_by("-finished")[0]
    with django_assert_num_queries(2):
        runs = last_runs()
    assert [(run.name, run.state, run.finished) for run in runs] == [
        ("mark", "done", newest.finished),
        ("never run", None, None),
    ]
    assert runs[0].duration_s is not None and runs[0].duration_s >= 0
