"""The outbox and its schedule at their limits: due at that very time, one more than are sent alone."""

from datetime import UTC, datetime, timedelta

import pytest
import time_machine

from maintenance.models import Channel, Message, Reminder
from maintenance.reminders.delivery import outbox, schedule
from tests.maintenance.reminders.delivery.conftest import post, raised
from tests.maintenance.reminders.delivery.test_outbox import berlin, change_settings, states
from tests.refusals import refuses

pytestmark = pytest.mark.django_db
NOW = datetime(2026, 6, 1, 12, tzinfo=UTC)
HOUR, SECOND = timedelta(hours=1), timedelta(seconds=1)
# No message waits longer.
HORIZON = NOW + timedelta(days=2, hours=2)


@pytest.fixture
def hook(channel):
    return channel("webhook", "http://127.0.0.1:9/")


def waiting(hook, at: datetime = NOW, purpose: str = "event", **values) -> Message:
    return Message.objects.create(
        channel=hook, purpose=purpose, **{"not_before": at, "next_attempt_at": at} | values
    )


def test_a_time_beyond_the_longest_wait_was_written_by_a_clock_that_ran_ahead(hook):
    for at, mended in ((NOW - HOUR, NOW - HOUR), (HORIZON, HORIZON), (HORIZON + SECOND, NOW)):
        message = waiting(hook, at)
        Channel.objects.update(backoff_until=at)
        schedule.mend_times(NOW)
        message.refresh_from_db()
        hook.refresh_from_db()
        assert (message.not_before, message.next_attempt_at) == (mended, mended)
        assert hook.backoff_until == (mended if mended == at else None)


@pytest.mark.parametrize(
    ("until", "backing_off"),
    [
        (None, False),
        (NOW - SECOND, False),
        (NOW, False),
        (NOW + SECOND, True),
    ],
)
def test_a_channel_backs_off_until_its_time(hook, until, backing_off):
    hook.backoff_until = until
    message = waiting(hook)
    assert schedule.next_message(hook, NOW) == (None if backing_off else message)
    test = waiting(hook, purpose="test")
    assert schedule.next_message(hook, NOW) == test


def test_a_message_is_due_from_its_times_on(hook):
    for at, due in ((NOW, True), (NOW + SECOND, False)):
        for times in ({"not_before": at}, {"next_attempt_at": at}):
            message = waiting(hook, **times)
            assert schedule.next_message(hook, NOW) == (message if due else None)
            message.delete()


def test_the_next_message_is_due_when_both_of_its_times_have_come(hook):
    assert schedule.next_due(hook) is None
    waiting(hook, not_before=NOW + HOUR, next_attempt_at=NOW + 2 * HOUR)
    assert schedule.next_due(hook) == NOW + 2 * HOUR
    hook.backoff_until = NOW + 3 * HOUR
    assert schedule.next_due(hook) == NOW + 3 * HOUR
    waiting(hook, NOW + HOUR, purpose="test")
    assert schedule.next_due(hook) == NOW + HOUR


def test_a_backoff_that_is_over_delays_nothing(hook):
    waiting(hook, NOW - 2 * HOUR)
    hook.backoff_until = NOW - HOUR
    assert schedule.next_due(hook) <= NOW


def test_six_at_once_are_bundled_and_five_are_not(channel):
    mail = channel("email", "a@shop.example")
    post(*(raised(number) for number in range(5)))
    outbox.bundle_due(mail, datetime.now(UTC))
    assert states() == ["waiting"] * 5
    post(raised(5))
    outbox.bundle_due(mail, datetime.now(UTC))
    assert states() == ["bundled"] * 6 + ["waiting"]


@pytest.mark.parametrize("count", [5, 6])
def test_more_than_five_that_quiet_hours_held_back_are_bundled_at_their_end(channel, cleo, count):
    change_settings(cleo)
    mail = channel("email", "a@shop.example")
    with time_machine.travel(berlin(2026, 6, 1, 23), tick=False) as clock:
        post(*(raised(number) for number in range(count)))
        assert states() == ["waiting"] * count
        clock.move_to(berlin(2026, 6, 2, 7))
        outbox.bundle_due(mail, datetime.now(UTC))
    assert states() == (["bundled"] * 6 + ["waiting"] if count == 6 else ["waiting"] * 5)


def test_a_digest_waits_for_the_end_of_quiet_hours_even_where_urgent_messages_do_not(channel, cleo):
    change_settings(cleo, urgent_in_quiet=True)
    channel("email", "a@shop.example", timing="digest")
    with time_machine.travel(berlin(2026, 6, 1, 12), tick=False) as clock:
        post(raised(1))
        clock.move_to(berlin(2026, 6, 3, 2))
        assert outbox.write_digests(datetime.now(UTC)) == 1
    assert Message.objects.get(purpose="digest").not_before == berlin(2026, 6, 3, 7)


def test_a_second_digest_of_a_day_waits_for_the_next_day(channel, cleo):
    hour = datetime.min.time()
    change_settings(cleo)
    channel("email", "a@shop.example", timing="digest")
    with time_machine.travel(berlin(2026, 6, 1, 12), tick=False) as clock:
        post(raised(1))
        clock.move_to(berlin(2026, 6, 2, 8))
        assert outbox.write_digests(datetime.now(UTC)) == 1
        change_settings(cleo, digest_at=hour.replace(hour=12))
        [entry] = post(raised(2))
        change_settings(cleo, digest_at=hour.replace(hour=18))
        clock.move_to(berlin(2026, 6, 2, 12))
        assert outbox.write_digests(datetime.now(UTC)) == 0
    entry.refresh_from_db()
    assert entry.not_before == entry.next_attempt_at == berlin(2026, 6, 3, 18)


def test_a_message_is_due_again_from_the_end_of_the_snooze_on(hook):
    [message] = post(raised(1))
    Reminder.objects.update(snoozed_until=NOW)
    message = Message.objects.get(pk=message.pk)
    assert not outbox.still_due(message, NOW - SECOND)
    assert outbox.still_due(message, NOW) and outbox.still_due(message, NOW + SECOND)


def test_messages_are_kept_for_ninety_days(hook):
    for written_at in (NOW - timedelta(days=90), NOW - timedelta(days=90, seconds=1)):
        waiting(hook, state="sent", written_at=written_at)
    assert outbox.prune(NOW) == 1
    assert Message.objects.get().written_at == NOW - timedelta(days=90)


def test_a_channel_that_ended_or_sends_nothing_gets_no_test(channel, hook):
    hook.ended_at = NOW
    for unable in (hook, channel("page", "")):
        with refuses("channel_ended"):
            outbox.send_test(unable)


@pytest.mark.parametrize("state", [state for state in Message.State if state != Message.State.FAILED])
def test_a_failed_message_alone_is_sent_again(hook, state):
    with refuses("not_failed"):
        outbox.retry(waiting(hook, state=state))


def test_a_failed_message_of_an_ended_channel_is_not_sent_again(hook):
    message = waiting(hook, state="failed")
    hook.ended_at = NOW
    hook.save()
    with refuses("channel_ended"):
        outbox.retry(message)


def test_a_digest_of_the_day_is_due_without_its_entries_and_a_bundle_is_not(hook):
    assert outbox.still_due(waiting(hook, purpose="digest", digest_day=NOW.date()), NOW)
    assert not outbox.still_due(waiting(hook, purpose="digest"), NOW)
