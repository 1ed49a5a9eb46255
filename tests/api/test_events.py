"""The log of events, read as a script reads it."""

from maintenance.events.feed import KEEP, number_events, prune_events
from maintenance.models import ShopEvent
from maintenance.reminders.delivery.channels import add_webhook
from maintenance.reminders.delivery.shop_events import post_events

from .conftest import ago


def test_a_script_reads_on_from_its_cursor(api, shop, receive):
    assert api.get("events")["more"] is False
    cursor = api.get("events", after="latest")["next"]
    code = receive(at=ago(hours=2))
    first = api.get("events", after=cursor, limit=1)
    assert (len(first["events"]), first["more"], first["next"]) == (1, True, cursor + 1)
    second = api.get("events", after=first["next"])
    assert second["more"] is False and api.get("events", after=second["next"])["events"] == []
    events = first["events"] + second["events"]
    assert [event["sequence"] for event in events] == [cursor + n for n in range(1, len(events) + 1)]
    moved = next(event for event in events if event["kind"] == "spool.moved")
    assert moved["data"] == {"spool": code, "place": shop.dry_box, "place_name": "dry box", "until": None}
    assert moved["withdraws"] is None and code[:3] in moved["sentence"]


def test_kinds_are_chosen_and_the_cursor_passes_the_others(api, shop, receive):
    code = receive()
    part = api.get("events", kinds="spool.received,spool.loaded")
    assert [event["data"]["spool"] for event in part["events"]] == [code]
    assert part["next"] == ShopEvent.objects.count()


def test_sentences_are_in_the_language_of_the_request(client, receive):
    receive()
    english, german = (
        client.get("/api/v1/events?kinds=spool.received", HTTP_ACCEPT_LANGUAGE=language).json()["events"][0]
        for language in ("en", "de")
    )
    assert english.pop("sentence") != german.pop("sentence") and english == german


def test_a_wrong_question_is_refused(api, shop):
    for query, field in (
        ({"kinds": "spool.eaten"}, "kinds"),
        ({"after": "-1"}, "after"),
        ({"limit": 0}, "limit"),
    ):
        [error] = api.get("events", 400, **query)["errors"]
        assert error["field"] == field


def test_a_cursor_that_the_log_lacks_is_gone(api, shop, receive):
    receive()
    [error] = api.get("events", 410, after=10**6)["errors"]
    assert error["code"] == "cursor_unknown"
    last = ShopEvent.objects.order_by("pk").last()
    prune_events(last.recorded_at + 2 * KEEP)
    [error] = api.get("events", 410, after=0)["errors"]
    assert error["code"] == "cursor_too_old"
    assert [event["sequence"] for event in api.get("events")["events"]] == [last.sequence]


def test_a_webhook_is_set_up_and_its_events_sent_again(api, account, receive):
    hook = add_webhook(account, "https://receiver.example/hook")
    [listed] = api.get("webhooks")["results"]
    assert (listed["id"], listed["event_kinds"]) == (hook.pk, [])
    chosen = api.post(f"webhooks/{hook.pk}/event-kinds", 200, kinds=["spool.received"])
    assert chosen["event_kinds"] == ["spool.received"]
    receive()
    number_events()
    post_events()
    assert api.post(f"webhooks/{hook.pk}/send-again", 200, after=0) == {"sent": 1}
    last = api.get("events")["next"]
    assert api.refusals(f"webhooks/{hook.pk}/send-again", after=last) == {"after": "nothing_to_send"}
