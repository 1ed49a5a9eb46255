"""Who is told what, and when: at once, after quiet hours, in the digest; and what is lost on the way."""

import json
import threading
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
import time_machine
from django.db import connection, transaction
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from background.models import WorkItem
from background.running import claim_next, run_due, run_item
from maintenance.models import Channel, Message, Reminder, ReminderEvent
from maintenance.reminders.delivery import attempts, channels, outbox, schedule
from maintenance.reminders.delivery.outbox import MOST_SINGLE, write_digests
from maintenance.reminders.delivery.outbox import post as write
from maintenance.reminders.delivery.wording import rendered
from maintenance.reminders.sweep import sweep
from spools.drying.runs import DryingSettings, start_drying
from tests.maintenance.reminders.delivery.conftest import post, raised, work_until_quiet
from tests.maintenance.reminders.texts import texts
from tests.spools.conftest import hours_ago

pytestmark = pytest.mark.django_db
BERLIN = ZoneInfo("Europe/Berlin")


def berlin(*when: int) -> datetime:
    return datetime(*when, tzinfo=BERLIN)


def change_settings(user, **values) -> None:
    channels.save_times(
        outbox.settings_of(user),
        **{
            "quiet_from": datetime.min.time().replace(hour=22),
            "quiet_to": datetime.min.time().replace(hour=7),
            "urgent_in_quiet": False,
            "digest_at": datetime.min.time().replace(hour=7, minute=30),
            **values,
        },
    )


def states() -> list[str]:
    return sorted(Message.objects.values_list("state", flat=True))


def test_people_are_notified_of_three_events_and_a_receiver_of_all(channel):
    person = channel("email", "a@shop.example")
    machine = channel("webhook", "http://127.0.0.1:9/")
    for number, what in enumerate(ReminderEvent.Type.values):
        post(raised(number, what))
    told = {way.pk: set(way.messages.values_list("body__type", flat=True)) for way in (person, machine)}
    assert told[person.pk] == {"opened", "urgent", "returned"}
    assert told[machine.pk] == set(ReminderEvent.Type.values)


def test_only_subscribed_kinds_go_to_open_channels(channel, cleo):
    channel("email", "a@shop.example", kinds=["leak"])
    ended = channel("email", "b@shop.example")
    channels.end(ended)
    channel("calendar", "token")
    channel("page", "")
    assert post(raised()) == []
    cleo.is_active = False
    cleo.save()
    channel("email", "c@shop.example")
    assert post(raised(2)) == []
    assert not WorkItem.objects.exists()


def test_a_reminder_that_opens_as_urgent_is_one_message(channel):
    channel("email", "a@shop.example")
    [message] = post(raised(1), raised(1, "urgent"))
    assert message.body["type"] == "urgent" and message.body["urgent"] is True


def test_a_sweep_of_the_shop_reaches_its_receiver(channel, web, shop, wet):
    """From a nylon spool on the open shelf to the receiver, and away again when it is dried."""
    channel("webhook", web.address)
    sweep()
    work_until_quiet()
    told = [json.loads(one.body) for one in web.received]
    assert {body["type"] for body in told} <= {"reminder.opened", "reminder.urgent"}
    [raised_] = [body["data"] for body in told if body["type"] == "reminder.opened"]
    assert raised_["condition"] == f"dry:spool:{wet.pk}"
    assert raised_["link"] == f"https://shop.example/s/{wet.code}/dry/"
    start_drying([wet], shop.dryer, DryingSettings(75), at=hours_ago(0.2))
    sweep()
    work_until_quiet()
    assert json.loads(web.received[-1].body)["type"] == "reminder.resolved"


def test_messages_are_part_of_the_callers_transaction(channel):
    channel("email", "a@shop.example")

    class RolledBackMessage(Exception):
        pass

    with pytest.raises(RolledBackMessage), transaction.atomic():
        post(raised())
        raise RolledBackMessage
    assert not Message.objects.exists() and not WorkItem.objects.exists()


def test_the_number_of_queries_does_not_grow_with_the_events(channel, cleo):
    for number in range(3):
        channel("webhook", f"http://127.0.0.1:9/{number}")
    counts = []
    for size in (2, 20):
        events = [raised(1000 * size + number) for number in range(size)]
        with CaptureQueriesContext(connection) as queries:
            write(events)
        counts.append(len(queries))
    assert counts[0] == counts[1]
    assert Message.objects.count() == 3 * 22


def test_the_body_is_fixed_when_written(channel):
    channel("webhook", "http://127.0.0.1:9/")
    [message] = post(raised())
    before = message.body
    Reminder.objects.update(**texts("Something else", "Changed"))
    message.refresh_from_db()
    assert message.body == before


def test_a_message_waits_for_the_end_of_quiet_hours(channel, cleo, web, post_office):
    change_settings(cleo)
    channel("email", "a@shop.example")
    with time_machine.travel(berlin(2026, 3, 28, 23), tick=False) as clock:
        [message] = post(raised())
        assert message.not_before == berlin(2026, 3, 29, 7)
        work_until_quiet()
        clock.move_to(berlin(2026, 3, 29, 6, 59))
        work_until_quiet()
        assert post_office.received == []
        clock.move_to(berlin(2026, 3, 29, 7))
        work_until_quiet()
        assert post_office.ids == [str(message.pk)]


def test_urgent_messages_pass_quiet_hours_if_set(channel, cleo):
    channel("email", "a@shop.example")
    with time_machine.travel(berlin(2026, 10, 25, 2, 30), tick=False):
        change_settings(cleo)
        assert post(raised(1, "urgent"))[0].not_before == berlin(2026, 10, 25, 7)
        change_settings(cleo, urgent_in_quiet=True)
        assert post(raised(2, "urgent"))[0].not_before == timezone.now()
        assert post(raised(3, "returned", urgent_since=timezone.now()))[0].not_before == timezone.now()
        assert post(raised(4))[0].not_before == berlin(2026, 10, 25, 7)


@pytest.mark.parametrize("change", [{"ended_at": 0}, {"snoozed_until": 5}])
def test_people_get_no_message_of_a_reminder_that_is_not_due_any_more(
    channel, cleo, post_office, web, change
):
    change_settings(cleo)
    channel("email", "a@shop.example")
    channel("webhook", web.address)
    with time_machine.travel(berlin(2026, 6, 1, 23), tick=False) as clock:
        post(raised())
        work_until_quiet()
        assert len(web.ids) == 1, "a receiver is told at any hour"
        clock.move_to(berlin(2026, 6, 2, 7))
        [(name, days)] = change.items()
        Reminder.objects.update(**{name: timezone.now() + timedelta(days=days)})
        work_until_quiet()
    assert post_office.received == [] and states() == ["expired", "sent"]


def test_many_messages_at_once_are_bundled(channel, post_office):
    channel("email", "a@shop.example")
    post(*(raised(number) for number in range(MOST_SINGLE + 1)))
    work_until_quiet()
    [mail] = post_office.received
    assert mail["Subject"].startswith(f"{MOST_SINGLE + 1} reminders: Re-dry spool 0; ")
    assert states() == ["bundled"] * (MOST_SINGLE + 1) + ["sent"]
    post(*(raised(100 + number) for number in range(MOST_SINGLE)))
    work_until_quiet()
    assert len(post_office.received) == 1 + MOST_SINGLE


def test_messages_of_several_sweeps_in_quiet_hours_are_bundled(channel, cleo, post_office):
    change_settings(cleo)
    channel("email", "a@shop.example")
    with time_machine.travel(berlin(2026, 6, 1, 22), tick=False) as clock:
        for number in range(MOST_SINGLE + 3):
            post(raised(number))
            work_until_quiet()
            clock.shift(timedelta(minutes=30))
        Reminder.objects.filter(condition="dry:spool:0").update(ended_at=timezone.now())
        again = Reminder.objects.get(condition="dry:spool:1")
        post(ReminderEvent.objects.create(reminder=again, type="urgent", at=timezone.now()))
        clock.move_to(berlin(2026, 6, 2, 7))
        work_until_quiet()
        [mail] = post_office.received
        assert mail["Subject"].startswith(f"{MOST_SINGLE + 2} reminders: ")
        assert mail.get_body(("plain",)).get_content().count("Re-dry spool 1") == 1
        assert states() == ["bundled"] * (MOST_SINGLE + 2) + ["expired"] * 2 + ["sent"]
        # A few come one by one.
        clock.move_to(berlin(2026, 6, 2, 23))
        for number in range(2):
            post(raised(100 + number))
            clock.shift(timedelta(minutes=30))
        clock.move_to(berlin(2026, 6, 3, 7))
        work_until_quiet()
        assert len(post_office.received) == 3


def test_a_digest_is_written_once_a_day_with_due_reminders(channel, cleo, post_office):
    change_settings(cleo)
    channel("email", "a@shop.example", timing="digest")
    with time_machine.travel(berlin(2026, 6, 1, 12), tick=False) as clock:
        post(raised(1), raised(2), raised(3, "urgent", title="Leak of box 3"))
        Reminder.objects.filter(condition="dry:spool:2").update(ended_at=timezone.now())
        assert write_digests(timezone.now()) == 0
        clock.move_to(berlin(2026, 6, 2, 7, 30))
        assert [write_digests(timezone.now()) for _ in range(3)] == [1, 0, 0]
        work_until_quiet()
        [mail] = post_office.received
        assert mail["Subject"] == "2 reminders: Leak of box 3; Re-dry spool 1"
        assert states() == ["bundled", "bundled", "expired", "sent"]
        # The time is moved: what is due the same day is told the next.
        change_settings(cleo, digest_at=datetime.min.time().replace(hour=18))
        post(raised(4))
        clock.move_to(berlin(2026, 6, 2, 18))
        assert write_digests(timezone.now()) == 0
        clock.move_to(berlin(2026, 6, 3, 18))
        assert write_digests(timezone.now()) == 1


def test_a_digest_lists_a_hundred_and_counts_the_rest(channel, post_office):
    channel("email", "a@shop.example", timing="digest")
    with time_machine.travel(berlin(2026, 6, 1, 12), tick=False) as clock:
        write([raised(number) for number in range(130)])
        clock.shift(timedelta(days=1))
        write_digests(timezone.now())
        work_until_quiet()
    [mail] = post_office.received
    assert mail["Subject"].startswith("130 reminders: ") and mail["Subject"].endswith("; and 127 more")
    assert "And 30 more" in mail.get_body(("plain",)).get_content()


@pytest.mark.django_db(transaction=True)
def test_digests_that_are_written_at_the_same_time_are_written_once(channel, web):
    mail, hook = channel("email", "a@shop.example", timing="digest"), channel("webhook", web.address)
    post(*(raised(number) for number in range(6)))
    WorkItem.objects.all().delete()
    later = timezone.now() + timedelta(days=2)
    at_once = threading.Barrier(4)

    def each_minute() -> None:
        at_once.wait()
        write_digests(later)
        schedule.queue_all_deliveries()
        connection.close()

    threads = [threading.Thread(target=each_minute) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert mail.messages.filter(purpose="digest").count() == 1
    rows = WorkItem.objects.filter(name=schedule.DELIVER).values_list("args__channel", flat=True)
    assert sorted(rows) == sorted([mail.pk, hook.pk]) and hook.messages.filter(state="waiting").count() == 6


def test_no_digest_without_due_reminders(channel, cleo):
    channel("email", "a@shop.example", timing="digest")
    with time_machine.travel(berlin(2026, 6, 1, 12), tick=False) as clock:
        post(raised(1))
        Reminder.objects.update(ended_at=timezone.now())
        clock.shift(timedelta(days=1))
        assert write_digests(timezone.now()) == 0
    assert states() == ["expired"]


def test_after_a_week_without_power_it_is_one_digest_and_not_at_night(channel, cleo, post_office):
    change_settings(cleo)
    channel("email", "a@shop.example", timing="digest")
    with time_machine.travel(berlin(2026, 6, 1, 12), tick=False) as clock:
        for number in range(3):
            post(raised(number))
            clock.shift(timedelta(days=1))
        clock.move_to(berlin(2026, 6, 9, 2))
        assert write_digests(timezone.now()) == 1
        work_until_quiet()
        assert post_office.received == []
        clock.move_to(berlin(2026, 6, 9, 7))
        assert write_digests(timezone.now()) == 0
        work_until_quiet()
        assert len(post_office.received) == 1


def test_a_reminder_with_two_events_is_in_the_digest_once(channel, cleo, post_office):
    channel("email", "a@shop.example", timing="digest")
    with time_machine.travel(berlin(2026, 6, 1, 12), tick=False) as clock:
        post(raised(1))
        clock.shift(timedelta(hours=1))
        post(raised(1, "urgent"))
        clock.shift(timedelta(days=1))
        write_digests(timezone.now())
        work_until_quiet()
    [mail] = post_office.received
    assert mail["Subject"] == "Urgent: Re-dry spool 1"


def test_a_row_of_work_that_was_lost_is_made_good(channel, web):
    """Work that took its worker down each time is given up by the queue, and rows may go missing."""
    channel("webhook", web.address)
    for number, lose in enumerate(["fail", "delete"]):
        [message] = post(raised(number))
        rows = WorkItem.objects.filter(name=schedule.DELIVER, state="queued")
        assert rows.count() == 1
        if lose == "fail":
            rows.update(state="failed")
        else:
            rows.delete()
        assert run_due("delivery") == 0
        schedule.queue_all_deliveries()
        run_due("delivery")
        assert web.ids[-1] == str(message.pk)


def test_a_worker_that_dies_after_sending_sends_again_with_the_same_id(channel, web):
    channel("webhook", web.address)
    [message] = post(raised())
    attempts.attempt(message)
    work_until_quiet()
    assert web.ids == [str(message.pk)] * 2 and states() == ["sent"]


def test_the_outcome_of_an_attempt_that_another_worker_overtook_changes_nothing(channel, web):
    channel("webhook", web.address)
    [message] = post(raised())
    work_until_quiet()
    attempts.store_outcome(message, attempts.DeliveryFailed("late"))
    message.refresh_from_db()
    assert (message.state, message.attempts, message.error) == ("sent", 1, None)


def test_a_channel_has_one_row_of_work_that_is_brought_forward(channel, cleo, web):
    change_settings(cleo)
    hook = channel("webhook", web.address)
    with time_machine.travel(berlin(2026, 6, 1, 12), tick=False) as clock:
        web.mood = 500
        post(raised(1))
        work_until_quiet()
        [row] = WorkItem.objects.filter(name=schedule.DELIVER, state="queued")
        hook.refresh_from_db()
        assert row.due == hook.backoff_until == timezone.now() + timedelta(seconds=10)
        post(raised(2))
        row.refresh_from_db()
        assert row.due == hook.backoff_until, "a new message waits for the end of the backoff"
        outbox.send_test(hook)
        row.refresh_from_db()
        assert row.due == timezone.now(), "a test does not"
        clock.shift(timedelta(seconds=1))
        assert WorkItem.objects.filter(name=schedule.DELIVER, state="queued").count() == 1


def test_a_run_leaves_the_rest_to_the_next_one_after_its_budget(channel, web, monkeypatch):
    monkeypatch.setattr(attempts, "BUDGET_S", 0)
    channel("webhook", web.address)
    post(raised())
    assert run_item_once() and web.ids == []
    monkeypatch.setattr(attempts, "BUDGET_S", 10)
    assert run_item_once() and len(web.ids) == 1


def run_item_once() -> bool:
    item = claim_next(timezone.now())
    if item is not None:
        run_item(item)
    return item is not None


def test_a_clock_that_was_a_year_ahead_delays_nothing(channel, web, post_office):
    channel("webhook", web.address)
    channel("email", "a@shop.example", timing="digest")
    with time_machine.travel(berlin(2027, 6, 1, 12), tick=False):
        post(raised())
        web.mood = 500
        work_until_quiet()
    WorkItem.objects.all().delete()
    web.mood = 200
    with time_machine.travel(berlin(2026, 6, 1, 12), tick=False):
        schedule.mend_times(timezone.now())
        assert write_digests(timezone.now()) == 1
        work_until_quiet()
    assert len(web.ids) == len(post_office.ids) == 1


def test_a_test_is_sent_at_once_during_backoff(channel, cleo, web):
    change_settings(cleo)
    hook = channel("webhook", web.address)
    with time_machine.travel(berlin(2026, 6, 1, 23), tick=False) as clock:
        web.mood = 500
        post(raised())
        work_until_quiet()
        web.mood = 200
        test = outbox.send_test(hook)
        work_until_quiet()
        assert web.ids == [str(test.pk)]
        clock.shift(timedelta(seconds=10))
        work_until_quiet()
    assert len(web.ids) == 2, "it works again, so the rest follows"


def test_bodies_have_times_in_utc_and_in_the_shops_zone(channel):
    channel("webhook", "http://127.0.0.1:9/")
    with time_machine.travel(datetime(2026, 6, 1, 12, tzinfo=UTC), tick=False):
        [message] = post(raised(1, due_at=timezone.now()))
    assert message.body["at"] == "2026-06-01T12:00:00+00:00"
    assert message.body["due_at"] == "2026-06-01T12:00:00+00:00"
    assert rendered(message.body)["due"] == "1 Jun 2026, 14:00"


def test_messages_written_while_a_channel_ends_expire(channel):
    hook = channel("webhook", "http://127.0.0.1:9/")
    digest = channel("email", "a@shop.example", timing="digest")
    post(raised())
    Channel.objects.filter(pk__in=[hook.pk, digest.pk]).update(ended_at=timezone.now())
    outbox.expire_ended()
    assert states() == ["expired", "expired"]


def test_a_reminder_that_became_urgent_in_quiet_hours_is_one_message(channel, cleo, post_office):
    change_settings(cleo)
    channel("email", "a@shop.example")
    with time_machine.travel(berlin(2026, 6, 1, 23), tick=False) as clock:
        post(raised(1))
        clock.shift(timedelta(hours=2))
        post(raised(1, "urgent"))
        clock.move_to(berlin(2026, 6, 2, 7))
        work_until_quiet()
    assert len(post_office.received) == 1 and states() == ["expired", "sent"]
    assert Message.objects.get(state="sent").body["type"] == "urgent"


def test_a_reminder_completed_while_the_mail_server_is_down_sends_nothing(channel, post_office, settings):
    channel("email", "a@shop.example")
    port, settings.EMAIL_PORT = settings.EMAIL_PORT, 9
    with time_machine.travel(berlin(2026, 6, 1, 12), tick=False) as clock:
        post(raised())
        work_until_quiet()
        assert Message.objects.get().attempts == 1
        Reminder.objects.update(ended_at=timezone.now())
        settings.EMAIL_PORT = port
        clock.shift(timedelta(minutes=1))
        work_until_quiet()
    assert post_office.received == [] and states() == ["expired"]


def test_old_messages_are_deleted(channel):
    channel("webhook", "http://127.0.0.1:9/")
    old = timezone.now() - outbox.KEEP - timedelta(days=1)
    messages = post(*(raised(number) for number in range(3)))
    Message.objects.filter(pk=messages[0].pk).update(state="sent")
    Message.objects.filter(pk__in=[messages[1].pk, messages[2].pk]).update(written_at=old)
    Message.objects.filter(pk=messages[1].pk).update(state="failed")
    assert outbox.prune(timezone.now()) == 1
    assert states() == ["sent", "waiting"]
