"""Webhooks to a real server that fails in every way; signatures checked by other means than the sender's."""

import base64
import hashlib
import hmac
import json
import socket
import subprocess
import threading
from datetime import UTC, datetime, timedelta

import pytest
import time_machine
from django.utils import timezone
from standardwebhooks.webhooks import Webhook

from maintenance.models import Channel, Message
from maintenance.reminders.delivery import outbox, posting
from spools.statements import Statement
from tests.maintenance.reminders.delivery.conftest import (
    post,
    raised,
    set_deadline,
    work_later,
    work_until_quiet,
)
from tests.services.servers import free_port

pytestmark = pytest.mark.django_db


@pytest.fixture
def hook(channel, web) -> Channel:
    return channel("webhook", web.address)


def test_every_event_arrives_signed_and_once(hook, web):
    messages = post(raised(1), raised(1, "urgent"), raised(1, "snoozed"), raised(1, "completed"))
    work_until_quiet()
    assert sorted(web.ids) == sorted(str(message.pk) for message in messages)
    assert set(Message.objects.values_list("state", flat=True)) == {"sent"}
    told = [json.loads(one.body) for one in web.received]
    types = ["reminder.completed", "reminder.opened", "reminder.snoozed", "reminder.urgent"]
    assert sorted(body["type"] for body in told) == types
    page = f"https://shop.example/reminders/{messages[0].body['reminder']}/"
    assert {body["data"]["link"] for body in told} == {page}
    for body in told:
        said = body["data"]
        assert (said["title"], said["reason"]["code"]) == ("Re-dry spool 1", "test.given")
        assert said["reason"]["values"]["why"] == said["reason"]["sentence"] == "0.9 %; limit 0.5 %."
        assert said["remedy"]["sentence"] == "Dry it for 9 h at 70 °C."
    work_until_quiet()
    assert len(web.seen) == 4


def test_the_signature_by_openssl_and_by_hand(hook, web):
    """Standard Webhooks: HMAC-SHA256 of id.timestamp.body with the bytes behind whsec_, in base64."""
    post(raised())
    work_until_quiet()
    [one] = web.received
    key = base64.b64decode(hook.secret.removeprefix("whsec_"))
    signed = f"{one.headers['webhook-id']}.{one.headers['webhook-timestamp']}.".encode() + one.body
    version, _, signature = one.headers["webhook-signature"].partition(",")
    assert version == "v1" and len(key) == 32
    assert base64.b64encode(hmac.digest(key, signed, hashlib.sha256)).decode() == signature
    command = ["openssl", "dgst", "-sha256", "-mac", "HMAC", "-macopt", f"hexkey:{key.hex()}", "-binary"]
    by_openssl = subprocess.run(command, input=signed, capture_output=True, check=True).stdout
    assert base64.b64encode(by_openssl).decode() == signature
    assert abs(int(one.headers["webhook-timestamp"]) - datetime.now(UTC).timestamp()) < 60
    assert Webhook(hook.secret).verify(one.body, one.headers)["type"] == "reminder.opened"


@pytest.mark.parametrize("mood", ["hang", "drip", "close", "half", 500, 503, 429, 302, 404, 410])
def test_no_message_is_lost_whatever_the_receiver_does(hook, web, monkeypatch, mood):
    set_deadline(monkeypatch, 0.4)
    web.mood = mood
    messages = post(*(raised(number) for number in range(4)))
    wanted = {str(message.pk) for message in messages}
    for minutes in (0, 10, 20, 30):
        work_later(minutes)
    assert Message.objects.filter(state="waiting").count() == 4
    failed = Message.objects.exclude(error=None).first()
    assert failed is not None and failed.attempts > 0
    web.mood = 204
    set_deadline(monkeypatch, 60)
    work_later(60)
    assert set(web.ids) == wanted
    assert {one.id for one in web.seen} == wanted
    assert set(Message.objects.values_list("state", flat=True)) == {"sent"}
    assert Message.objects.exclude(error=None).count() == 0


def test_a_receiver_that_is_not_there(channel, web):
    channel("webhook", f"http://127.0.0.1:{free_port()}/")
    [message] = post(raised())
    work_until_quiet()
    message.refresh_from_db()
    assert message.state == "waiting" and message.error.code == "delivery.receiver_not_reached"


def test_a_hanging_channel_costs_one_timeout_and_then_delivers_all(hook, web, monkeypatch):
    set_deadline(monkeypatch, 0.4)
    web.mood = "hang"
    messages = post(*(raised(number) for number in range(8)))
    work_until_quiet()
    assert len(web.seen) <= 1
    hook.refresh_from_db()
    assert hook.failures == 1
    web.mood = 200
    set_deadline(monkeypatch, 60)
    with time_machine.travel(hook.backoff_until + timedelta(seconds=1), tick=True):
        work_until_quiet()
    assert set(web.ids) == {str(message.pk) for message in messages}
    hook.refresh_from_db()
    assert (hook.failures, hook.backoff_until) == (0, None)


def test_a_message_that_the_receiver_cannot_take_holds_up_no_other(hook, web):
    with time_machine.travel(datetime(2026, 3, 2, 12, tzinfo=UTC), tick=False) as clock:
        [poison] = post(raised(1))
        web.refuse[str(poison.pk)] = 500
        work_until_quiet()
        others = post(raised(2), raised(3))
        for _ in range(2):
            hook.refresh_from_db()
            clock.move_to(hook.backoff_until)
            work_until_quiet()
        assert set(web.ids) == {str(message.pk) for message in others}
        assert timezone.now() < poison.written_at + timedelta(minutes=1)
        poison.refresh_from_db()
        assert poison.state == "waiting" and poison.attempts >= 2


def test_backoff_grows_and_a_message_fails_after_a_day_and_can_be_sent_again(hook, web):
    web.mood = 500
    start = datetime(2026, 3, 2, 12, tzinfo=UTC)
    with time_machine.travel(start, tick=False) as clock:
        [message] = post(raised())
        waits_s, last = [], start
        while Message.objects.get().state == "waiting":
            clock.move_to(max(Message.objects.get().next_attempt_at, start))
            waits_s.append((timezone.now() - last).total_seconds())
            last = timezone.now()
            work_until_quiet()
            assert len(waits_s) < 100
        assert waits_s[:8] == [0, 10, 30, 120, 600, 1800, 3600, 7200]
        assert timedelta(days=1) <= last - start < timedelta(days=1, hours=2)
        message.refresh_from_db()
        assert (message.state, message.attempts) == ("failed", len(web.seen))
        assert message.error == Statement("delivery.receiver_failed", {"status": 500})
        web.mood = 200
        outbox.retry(message)
        work_until_quiet()
        message.refresh_from_db()
        assert message.state == "sent" and web.ids == [str(message.pk)]


def test_after_a_week_without_power_one_failure_gives_nothing_up(hook, web):
    with time_machine.travel(datetime(2026, 3, 2, 12, tzinfo=UTC), tick=False) as clock:
        messages = post(raised(1), raised(2))
        clock.shift(timedelta(days=7))
        web.mood = 503
        work_until_quiet()
        assert Message.objects.filter(state="waiting").count() == 2
        web.mood = 200
        clock.shift(timedelta(minutes=1))
        work_until_quiet()
        assert set(web.ids) == {str(message.pk) for message in messages}


@pytest.mark.parametrize(
    ("said", "seconds"),
    [
        ("90", 90),
        ("1000000", 7200),
        ("soon", 10),
        ("-5", 10),
        ("Mon, 02 Mar 2026 12:05:00 GMT", 300),
        ("3", 10),
    ],
)
def test_retry_after_is_respected_within_bounds(hook, web, said, seconds):
    web.mood, web.answer_headers = 429, {"Retry-After": said}
    with time_machine.travel(datetime(2026, 3, 2, 12, tzinfo=UTC), tick=False):
        [message] = post(raised())
        work_until_quiet()
        message.refresh_from_db()
        assert (message.next_attempt_at - timezone.now()).total_seconds() == seconds


def test_an_answer_with_an_impossible_time_is_an_answer(hook, web):
    web.answer_headers = {"Retry-After": "Mon, 02 Mar 99999999999999999999 12:05:00 GMT"}
    [message] = post(raised())
    work_until_quiet()
    message.refresh_from_db()
    assert message.state == "sent"


def test_a_refusal_concerns_its_message_alone(hook, web):
    web.mood = 422
    messages = post(raised(1), raised(2))
    work_until_quiet()
    assert len(web.seen) == 2
    hook.refresh_from_db()
    assert hook.failures == 0
    for message in messages:
        message.refresh_from_db()
        assert (
            message.error == Statement("delivery.receiver_refused", {"status": 422})
            and message.state == "waiting"
        )


def test_a_receiver_that_answers_again_is_there_even_if_it_refuses(hook, web):
    with time_machine.travel(datetime(2026, 3, 2, 12, tzinfo=UTC), tick=False) as clock:
        messages = post(*(raised(number) for number in range(3)))
        web.mood = 503
        work_until_quiet()
        web.mood = 422
        clock.shift(timedelta(seconds=10))
        work_until_quiet()
        assert len({one.id for one in web.seen}) == len(messages)
        hook.refresh_from_db()
        assert (hook.failures, hook.backoff_until) == (0, None)


def test_redirects_are_not_followed(hook, web):
    web.mood, web.answer_headers = 307, {"Location": web.address + "/elsewhere"}
    [message] = post(raised())
    work_until_quiet()
    message.refresh_from_db()
    assert [one.path for one in web.seen] == ["/hook"]
    assert message.error.code == "delivery.receiver_moved"


def test_a_name_server_that_hangs_is_not_waited_for(monkeypatch):
    set_deadline(monkeypatch, 0.4)
    enough, answered = threading.Event(), threading.Event()

    def hangs(*asked, **more):
        enough.wait(30)
        answered.set()
        raise OSError("no answer")

    monkeypatch.setattr(socket, "getaddrinfo", hangs)
    with pytest.raises(posting.DeliveryFailed, match="no_whole_answer"):
        posting.post("http://receiver.example/", b"", {})
    assert not answered.is_set()
    enough.set()
