"""Where reminders go: each person's own ways, with bad input too; the calendar for machines."""

import base64
import re
from datetime import timedelta
from ipaddress import ip_network

import pytest
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat
from django.contrib.auth import get_user_model
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from maintenance.events.feed import number_events
from maintenance.events.recording import add_event
from maintenance.models import Channel, Message, NotificationSettings, Reminder, ReminderEvent, ShopEvent
from maintenance.reminders.delivery import attempts, channels, outbox
from maintenance.reminders.delivery.confirmation import confirm
from maintenance.reminders.delivery.shop_events import post_events
from spools.statements import Statement
from tests.maintenance.reminders.delivery.conftest import raised
from tests.maintenance.reminders.delivery.receivers import HttpReceiver
from tests.pages.shown import notes, notices, require_refused, shows

TIMES = {"quiet_from": "22:00", "quiet_to": "06:30", "digest_at": "07:15", "urgent_in_quiet": "on"}


@pytest.fixture
def ada(db, settings, tmp_path):
    settings.DATA_DIR = tmp_path
    return get_user_model().objects.create_user("ada", role="set_up")


@pytest.fixture
def desk(ada) -> Client:
    client = Client()
    client.force_login(ada)
    return client


@pytest.fixture
def bob(ada) -> Client:
    client = Client()
    client.force_login(get_user_model().objects.create_user("bob", role="set_up"))
    return client


def page(client: Client):
    return client.get(reverse("notifications"))


def browser_keys() -> dict[str, str]:
    point = ec.generate_private_key(ec.SECP256R1()).public_key()
    raw = point.public_bytes(Encoding.X962, PublicFormat.UncompressedPoint)
    return {
        "p256dh": base64.urlsafe_b64encode(raw).decode().rstrip("="),
        "auth": base64.urlsafe_b64encode(b"0123456789abcdef").decode().rstrip("="),
    }


def test_at_first_there_are_no_channels_and_the_page_shows_missing_settings(desk):
    shown = page(desk)
    assert shown.context["channels"] == [] and not shown.context["email_is_set_up"]
    assert shows(shown, "EMAIL_HOST", "PUBLIC_URL")


def test_strangers_are_asked_to_sign_in(db):
    for name in ("notifications", "notifications-email", "notifications-webhook"):
        assert Client().get(reverse(name)).headers["Location"].startswith("/sign-in/")


def test_an_address_is_added_tested_and_ended(desk):
    assert desk.post(reverse("notifications-email"), {"address": "ada@shop.example"}).status_code == 302
    channel = Channel.objects.get()
    timings = dict(channel.subscriptions.values_list("reminder_kind", "timing"))
    assert timings["drying_done"] == "at_once" and timings["dry"] == "digest" and len(timings) == 14
    for again in ("ada@shop.example", "Ada@Shop.Example"):
        refused = desk.post(reverse("notifications-email"), {"address": again})
        require_refused(refused, "recorded_already", "address")
    assert "unconfirmed" in notes(page(desk))
    confirm(channel)
    assert "unconfirmed" not in notes(page(desk))
    sent = desk.post(reverse("channel-test", args=[channel.pk]), follow=True)
    row, link = sent.context["messages_sent"]
    assert notices(sent)[-1] == "success" and shows(sent, row["subject"], note="message_waiting")
    assert row["subject"] != link["subject"]
    assert desk.get(reverse("channel-end", args=[channel.pk])).status_code == 200
    ended = desk.post(reverse("channel-end", args=[channel.pk]), follow=True)
    assert notices(ended) == ["success"] and shows(ended, "ada@shop.example", note="notice")
    assert set(Message.objects.values_list("state", flat=True)) == {"expired"}
    for name in ("channel-test", "channel-end"):
        late = desk.post(reverse(name, args=[channel.pk]), follow=True)
        assert notices(late) == ["ended_already error"], name


@pytest.mark.parametrize(
    "address", ["", "ada", "ada@", "a@b.example, c@d.example", "ada@shop.example\nbcc: x@y.z", "x" * 300]
)
def test_an_invalid_address_is_refused(desk, address):
    answer = desk.post(reverse("notifications-email"), {"address": address})
    assert answer.status_code == 200 and "address" in answer.context["form"].errors
    assert not Channel.objects.exists()


@pytest.mark.parametrize(
    "address",
    [
        "",
        "shop.example",
        "ftp://shop.example/",
        "file:///etc/passwd",
        "http://",
        "http://[::",
        "http://shop example/",
        "http://a:b@c.example",
        "javascript:alert(1)",
        "https://shop.example:99999/",
        "https://xn--zz.example/",
        "https://" + "x" * 1000,
    ],
)
def test_an_invalid_web_address_is_refused(desk, address):
    answer = desk.post(reverse("notifications-webhook"), {"address": address})
    assert answer.status_code == 200 and "address" in answer.context["form"].errors
    assert not Channel.objects.exists()


def test_a_secret_is_shown_once_and_can_be_renewed(desk):
    shown = desk.post(
        reverse("notifications-webhook"), {"address": "http://bench:8123/hook", "name": "Bench"}
    )
    channel = Channel.objects.get()
    assert channel.secret in shown.content.decode() and "no-store" in shown.headers["Cache-Control"]
    assert channel.secret not in page(desk).content.decode()
    address = reverse("channel-secret", args=[channel.pk])
    assert channel.secret not in desk.get(address).content.decode()
    renewed = desk.post(address)
    old, channel = channel.secret, Channel.objects.get()
    assert channel.secret != old and channel.secret in renewed.content.decode()


def test_the_choices_are_stored_and_the_page_counts_chosen_kinds(desk, ada):
    mail = channels.add_email(ada, "ada@shop.example")
    hook = channels.add_webhook(ada, "https://r.example/")
    choices = {f"c{mail.pk}-{kind}": "" for kind in Reminder.Kind.values}
    choices |= {f"page-{kind}": "at_once" for kind in Reminder.Kind.values}
    choices |= {f"c{mail.pk}-dry": "digest", f"c{mail.pk}-leak": "at_once", "page-weigh": ""}
    assert desk.post(reverse("notifications-kinds"), choices).status_code == 302
    assert dict(mail.subscriptions.values_list("reminder_kind", "timing")) == {
        "dry": "digest",
        "leak": "at_once",
    }
    assert hook.subscriptions.count() == 14, "it was not on the page that was sent"
    counted = Channel.objects.get(kind="page", ended_at=None).subscriptions
    assert set(Reminder.Kind.values) - set(counted.values_list("reminder_kind", flat=True)) == {"weigh"}
    form = page(desk).context["kinds"]
    assert form["page-weigh"].value() == "" and form[f"c{mail.pk}-dry"].value() == "digest"
    desk.post(reverse("notifications-kinds"), choices | {"page-weigh": "at_once"})
    assert set(counted.values_list("reminder_kind", flat=True)) == set(Reminder.Kind.values)


@pytest.mark.parametrize("value", ["digest", "never", "at_once' OR 1=1"])
def test_a_choice_that_is_none_is_refused(desk, ada, value):
    hook = channels.add_webhook(ada, "https://r.example/")
    answer = desk.post(
        reverse("notifications-kinds"), {f"c{hook.pk}-{kind}": value for kind in Reminder.Kind.values}
    )
    require_refused(answer, "invalid_choice", f"c{hook.pk}-dry")
    assert hook.subscriptions.filter(timing="at_once").count() == 14


def test_both_ends_of_the_quiet_hours_may_be_empty_and_show_it(desk):
    fields = page(desk).context["times"].fields
    assert fields["quiet_from"].help_text == fields["quiet_to"].help_text != ""


def test_times_are_stored(desk, ada):
    assert desk.post(reverse("notifications"), TIMES).status_code == 302
    stored = NotificationSettings.objects.get(user=ada)
    assert (str(stored.quiet_from), str(stored.digest_at), stored.urgent_in_quiet) == (
        "22:00:00",
        "07:15:00",
        True,
    )
    desk.post(reverse("notifications"), {"digest_at": "08:00"})
    assert NotificationSettings.objects.get(user=ada).quiet_from is None


@pytest.mark.parametrize(
    ("values", "field"),
    [
        ({"quiet_to": ""}, "quiet_to"),
        ({"quiet_from": "22:00", "quiet_to": "22:00"}, "quiet_to"),
        ({"quiet_from": "06:00", "quiet_to": "05:00"}, "quiet_to"),
        ({"digest_at": "23:00"}, "digest_at"),
        ({"digest_at": ""}, "digest_at"),
        ({"digest_at": "25:00"}, "digest_at"),
        ({"quiet_from": "late"}, "quiet_from"),
    ],
)
def test_times_that_cannot_be_are_refused(desk, values, field):
    answer = desk.post(reverse("notifications"), TIMES | values)
    assert answer.status_code == 200 and field in answer.context["times"].errors
    assert not NotificationSettings.objects.exists()


def test_a_browser_is_added_once_and_its_keys_are_looked_at(desk):
    subscription = {"endpoint": "https://push.example/abc", "name": "Browser on Linux"} | browser_keys()
    address = reverse("notifications-push")
    desk.post(address, subscription)
    desk.post(address, subscription | browser_keys())
    assert Channel.objects.get().name == "Browser on Linux"
    for bad in (
        {"endpoint": "http://push.example/x"},
        {"p256dh": "AAAA"},
        {"auth": "!!"},
        {"p256dh": "B" * 87},
        {"auth": ""},
    ):
        answer = desk.post(
            address, subscription | {"endpoint": "https://push.example/other"} | bad, follow=True
        )
        assert notices(answer)[-1] == "impossible_subscription error", bad
    assert Channel.objects.count() == 1


def test_channels_of_another_person_cannot_be_changed(desk, bob, ada):
    hook = channels.add_webhook(ada, "https://r.example/")
    message = outbox.send_test(hook)
    Message.objects.update(state="failed")
    for name, pk in [
        ("channel-test", hook.pk),
        ("channel-secret", hook.pk),
        ("channel-end", hook.pk),
        ("message-retry", message.pk),
    ]:
        assert bob.post(reverse(name, args=[pk])).status_code == 404, name
    assert "r.example" not in page(bob).content.decode()
    assert desk.post(reverse("message-retry", args=[message.pk])).status_code == 302
    assert Message.objects.get().state == "waiting"
    twice = desk.post(reverse("message-retry", args=[message.pk]), follow=True)
    assert notices(twice)[-1] == "not_failed error"


def test_failed_messages_are_listed_with_their_reason(desk, ada):
    outbox.send_test(channels.add_webhook(ada, "https://r.example/"))
    error = Statement("delivery.receiver_failed", {"status": 500})
    Message.objects.update(state="failed", error=error, attempts=18)
    shown = page(desk)
    (row,) = shown.context["messages_sent"]
    assert shows(shown, row["subject"], error.sentence, "18", note="message_failed")
    assert reverse("message-retry", args=[row["message"].pk]) in shown.content.decode()


def try_to_send(message: Message) -> None:
    attempts.store_outcome(message, attempts.attempt(message))


def test_a_channel_shows_its_last_refusal_until_a_message_is_sent(desk, ada, settings):
    settings.WEBHOOK_NETWORKS = [ip_network("127.0.0.0/8")]
    with HttpReceiver.running() as web:
        hook = channels.add_webhook(ada, web.address)
        web.mood = 403
        try_to_send(outbox.send_test(hook))
        hook.refresh_from_db()
        assert hook.failures == 0
        refused = page(desk)
        assert "refused" in notes(refused) and "403" not in refused.content.decode()
        web.mood = 200
        try_to_send(outbox.send_test(hook))
    assert sorted(Message.objects.values_list("state", flat=True)) == ["sent", "waiting"]
    assert "refused" not in notes(page(desk))


def test_the_list_shows_each_event(desk, ada):
    channels.add_webhook(ada, "https://r.example/")
    text = {
        "snoozed": Statement("reminder.snoozed_until", {"until": "2026-11-27T07:00:00+00:00"}),
        "completed": Statement("reminder.note", {"note": "wiped"}),
        "returned": Statement("reminder.amount", {"amount": 0.7, "unit": "rh_pct"}),
    }
    events = [raised(1, what, urgent_since=timezone.now()) for what in ReminderEvent.Type.values]
    for event in events:
        event.detail = text.get(event.type)
    outbox.post(events)
    answer = page(desk)
    news = {row["message"].event.type: row["subject"] for row in answer.context["messages_sent"]}
    assert news.keys() == set(ReminderEvent.Type.values) and len(set(news.values())) == len(news)
    assert shows(answer, *news.values(), note="message_waiting")
    assert "27 Nov 2026, 08:00" in news["snoozed"] and "wiped" in news["completed"]
    assert all(subject.startswith("Re-dry spool 1") for subject in news.values())


def test_expired_messages_show_their_reason(desk, ada, settings):
    """A way that was ended, and a reminder that was done before its message went out."""
    settings.EMAIL_HOST = "127.0.0.1"
    hook, mail = channels.add_webhook(ada, "https://r.example/"), channels.add_email(ada, "a@shop.example")
    confirm(mail)
    Message.objects.all().delete()
    channels.subscribe(mail, channels.ALL_AT_ONCE)
    outbox.post([raised()])
    channels.end(hook)
    Reminder.objects.update(ended_at=timezone.now(), ending="completed")
    try_to_send(Message.objects.get(channel=mail))
    assert set(Message.objects.values_list("state", flat=True)) == {"expired"}
    answer = page(desk)
    assert shows(
        answer, "Re-dry spool 1", outbox.ENDED.sentence, outbox.SUPERSEDED.sentence, note="message_expired"
    )
    assert "message_failed" not in notes(answer)


def test_a_message_behind_a_failure_shows_its_next_attempt(desk, ada):
    hook = channels.add_webhook(ada, "https://r.example/")
    outbox.send_test(hook)
    hook.backoff_until = timezone.now() + timedelta(days=1, minutes=10)
    hook.save()
    shown = f"{hook.backoff_until.astimezone(timezone.get_default_timezone()):%-d %b, %H:%M}"
    assert shows(page(desk), shown, note="message_waiting")


def test_the_calendar_needs_no_account_but_its_address(desk, ada):
    desk.post(reverse("notifications-calendar"))
    address = re.search(r"http://testserver(/calendar/[\w-]{40,}\.ics)", page(desk).content.decode())[1]
    stranger = Client()
    answer = stranger.get(address)
    assert answer.status_code == 200 and answer.headers["Content-Type"] == "text/calendar; charset=utf-8"
    unchanged = stranger.get(address, headers={"If-None-Match": answer.headers["ETag"]})
    assert unchanged.status_code == 304
    assert stranger.post(address).status_code == 405
    desk.post(reverse("notifications-calendar"))
    for gone in (address, "/calendar/x.ics", "/calendar/.ics", "/calendar/%00.ics"):
        assert stranger.get(gone).status_code == 404, gone
    ada.is_active = False
    ada.save()
    assert stranger.get(f"/calendar/{Channel.objects.get(ended_at=None).address}.ics").status_code == 404


def test_the_worker_of_notifications_lies_at_the_root(db):
    answer = Client().get("/worker.js")
    assert answer.headers["Content-Type"].startswith("text/javascript")
    assert b"showNotification" in answer.content


def test_a_webhook_is_given_kinds_of_events_and_they_are_sent_again(desk, bob, ada, settings):
    settings.WEBHOOK_NETWORKS = [ip_network("127.0.0.0/8")]
    hook = channels.add_webhook(ada, "http://127.0.0.1:1/hook")
    address, again = (reverse(f"channel-{name}", args=[hook.pk]) for name in ("events", "again"))
    assert bob.get(address).status_code == bob.post(again).status_code == 404
    form = {"kinds": ["job.failed", "stock.low"], "read_version": hook.version}
    saved = desk.post(address, form, follow=True)
    assert notices(saved) == ["success"]
    hook.refresh_from_db()
    assert hook.event_kinds == ["job.failed", "stock.low"]
    stale = desk.post(address, form | {"kinds": []})
    assert stale.context["kinds"].errors
    add_event(ShopEvent.Kind.JOB_FAILED, timezone.now(), "test:1", {"job": None, "printer": None})
    number_events()
    post_events()
    early = timezone.localtime() + timedelta(hours=1)
    require_refused(desk.post(again, {"since": f"{early:%Y-%m-%dT%H:%M}"}), "nothing_to_send", "since")
    early -= timedelta(hours=2)
    sent = desk.post(again, {"since": f"{early:%Y-%m-%dT%H:%M}"}, follow=True)
    assert notices(sent) == ["success"] and len(sent.context["messages_sent"]) == 1
