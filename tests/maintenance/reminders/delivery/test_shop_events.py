"""Events of the shop to a webhook: each arrives, whatever the receiver does, and again when that is asked for."""

import json
from datetime import timedelta

import pytest
from django.utils import timezone
from standardwebhooks.webhooks import Webhook

from background.models import WorkItem
from background.queue import background_work
from maintenance.events.feed import number_events, read_events
from maintenance.events.recording import add_event
from maintenance.models import Channel, Message, ShopEvent
from maintenance.reminders.delivery import outbox, shop_events
from maintenance.reminders.delivery.shop_events import choose_kinds, post_events, send_again
from spools.models import Place
from tests.maintenance.reminders.delivery.conftest import set_deadline, work_later, work_until_quiet
from tests.refusals import refuses
from tests.spools.conftest import feedstock, receive

pytestmark = pytest.mark.django_db
Kind = ShopEvent.Kind
KINDS = [Kind.SPOOL_RECEIVED, Kind.JOB_FAILED]


@pytest.fixture
def hook(channel, web) -> Channel:
    made = channel("webhook", web.address)
    choose_kinds(made, KINDS)
    return made


def happen(count: int, kind: Kind = Kind.JOB_FAILED) -> None:
    for number in range(count):
        add_event(kind, timezone.now(), f"test:{number}", {"job": None, "printer": None})


def post() -> None:
    number_events()
    post_events()


def list_received(web) -> list[dict]:
    return [json.loads(one.body)["data"] for one in web.received]


def test_the_chosen_kinds_arrive_signed_in_order_and_once(hook, web):
    spool = receive(feedstock("PLA"), Place.objects.create(name="Shelf", kind="shelf"))
    happen(3)
    happen(1, Kind.SERVICE_DONE)
    for _ in range(2):
        post()
        work_until_quiet()
    received = list_received(web)
    events = read_events(None, KINDS, 10).events
    assert [data["sequence"] for data in received] == [event.sequence for event in events]
    assert len(received) == 4 and {data["kind"] for data in received} == {*KINDS}
    assert received[0]["data"]["spool"] == spool.code and spool.code[:3] in received[0]["sentence"]
    first = web.received[0]
    assert Webhook(hook.secret).verify(first.body, first.headers)["type"] == Kind.SPOOL_RECEIVED


def test_a_channel_gets_what_is_recorded_after_its_choice(hook, web):
    happen(2)
    choose_kinds(hook, [Kind.SERVICE_DONE])
    happen(2)
    happen(1, Kind.SERVICE_DONE)
    post()
    work_until_quiet()
    assert [data["kind"] for data in list_received(web)] == [Kind.JOB_FAILED] * 2 + [Kind.SERVICE_DONE]
    with refuses("unknown_kind"):
        choose_kinds(hook, ["spool.eaten"])


def test_all_arrive_at_a_receiver_that_fails_is_slow_and_loses_answers(hook, web, monkeypatch):
    set_deadline(monkeypatch, 0.4)
    for number, mood in enumerate([503, "hang", "half", "close", 204]):
        web.mood = mood
        if mood == 204:
            set_deadline(monkeypatch, 60)
        happen(2)
        post()
        work_later(20 * number)
    work_later(120)
    # An answer that was lost: the same id came twice.
    assert len({*web.ids}) == 10 < len(web.ids)
    assert {data["sequence"] for data in list_received(web)} == {*range(1, 11)}
    assert {*Message.objects.values_list("state", flat=True)} == {"sent"}


def test_what_is_sent_again_has_the_ids_that_it_had(hook, web):
    happen(5)
    post()
    work_until_quiet()
    ids, since = list(web.ids), ShopEvent.objects.get(sequence=3).recorded_at
    # Messages are not kept as long as events.
    Message.objects.filter(sequence=4).delete()
    assert send_again(hook, after=2) == send_again(hook, since=since) == 3
    work_until_quiet()
    assert web.ids[5:] == ids[2:]
    with refuses("nothing_to_send", "since"):
        send_again(hook, since=timezone.now() + timedelta(hours=1))
    outbox.end_channel(hook, timezone.now(), outbox.ENDED)
    with refuses("no_webhook"):
        send_again(hook, after=0)


def test_many_events_are_sent_again_in_parts(hook, monkeypatch):
    monkeypatch.setattr(shop_events, "MOST_AGAIN", 2)
    happen(3)
    post()
    with refuses("too_many_events", "after", names=["3", "2"]):
        send_again(hook, after=0)
    assert send_again(hook, after=1) == 2


def test_a_commit_wakes_the_work_once(hook, django_capture_on_commit_callbacks):
    background_work(shop_events.POST)(lambda: None)
    with django_capture_on_commit_callbacks(execute=True):
        happen(3)
    assert WorkItem.objects.filter(name=shop_events.POST).count() == 1
    choose_kinds(hook, [])
    WorkItem.objects.all().delete()
    with django_capture_on_commit_callbacks(execute=True):
        happen(1)
    assert not WorkItem.objects.filter(name=shop_events.POST).exists()
