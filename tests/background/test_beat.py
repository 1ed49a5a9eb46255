"""The schedule: which rows it sends to a broker, here in the memory of the test."""

from datetime import timedelta

import pytest
from celery import current_app
from django.db import DatabaseError
from django.utils import timezone

from background import beat
from background.beat import JobTableScheduler, send_due
from background.models import WorkItem
from background.queue import background_work, enqueue, repeated_work
from background.queues import QUEUES
from background.running import claim_next

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("empty_registry")]


@pytest.fixture
def channel():
    """A channel of the broker in memory; all queues are empty before and after."""
    with current_app.connection_for_write() as connection:
        channel = connection.default_channel
        for queue in current_app.amqp.queues.values():
            queue(channel).declare()
            queue(channel).purge()
        yield channel
        for queue in QUEUES:
            channel.queue_purge(queue)


def sent(channel, queue: str) -> list[str]:
    """The ids of the messages of a queue, which is empty then."""
    ids = []
    while message := channel.basic_get(queue, no_ack=True):
        ids.append(message.headers["id"])
    return ids


def add(count: int, queue: str = "files") -> list[str]:
    """Rows that are due, the oldest first."""
    background_work("read", queue=queue)(lambda: None)
    now = timezone.now()
    for number in range(count):
        enqueue("read", due=now - timedelta(minutes=count - number))
    return [str(pk) for pk in WorkItem.objects.order_by("due").values_list("pk", flat=True)]


def test_a_due_row_is_sent_to_its_queue_under_its_name_and_id(channel):
    (row,) = add(1)
    send_due(timezone.now())
    message = channel.basic_get("files", no_ack=True)
    assert (message.headers["task"], message.headers["id"]) == ("read", row)
    assert sent(channel, "delivery") == []


def test_a_row_whose_message_waits_is_not_sent_again(channel):
    rows = add(3)
    for _ in range(3):
        send_due(timezone.now())
    assert sent(channel, "files") == rows


def test_as_many_as_are_missing_are_sent_again_the_oldest_first(channel):
    rows = add(3)
    send_due(timezone.now())
    for _ in range(2):
        channel.basic_get("files", no_ack=True)
    send_due(timezone.now())
    assert sent(channel, "files") == [rows[2], rows[0], rows[1]]


def test_a_row_that_runs_or_waits_for_its_time_is_not_sent(channel):
    add(1)
    enqueue("read", due=timezone.now() + timedelta(hours=1))
    claim_next(timezone.now())
    send_due(timezone.now())
    assert sent(channel, "files") == []
    send_due(timezone.now() + timedelta(hours=1))
    assert len(sent(channel, "files")) == 2, "its time has come, and the lease of the other one is over"


def test_a_tick_adds_and_sends_the_present_slots(channel):
    repeated_work(name="look", minutes=5, queue="delivery")(lambda: None)
    scheduler = JobTableScheduler(current_app)
    assert scheduler.tick() == 1
    scheduler.tick()
    assert sent(channel, "delivery") == [str(WorkItem.objects.get().pk)]


def test_a_tick_that_fails_does_not_end_the_schedule(channel, monkeypatch):
    def fail(now):
        raise DatabaseError

    monkeypatch.setattr(beat, "update_table", fail)
    assert JobTableScheduler(current_app).tick() == 1
