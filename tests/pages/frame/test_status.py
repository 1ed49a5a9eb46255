"""The status page and the metrics: what they tell, to whom, and in how many queries."""

import re
from datetime import UTC, datetime, timedelta
from uuid import uuid4

import pytest
from django.contrib.auth import get_user_model
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from prometheus_client.parser import text_string_to_metric_families

from access.tokens import add_token
from background.models import WorkItem
from background.running import run_due
from maintenance.models import Channel, Message
from maintenance.reminders.conditions.sensors import late_sensors
from spools.air.climate import record_readings
from spools.air.hourly import BELIEVED_FOR
from spools.statements import Statement
from tests.pages.shown import notes, notices, shows
from tests.pages.small_shop import a_reminder

STATUS = "/status/"
QUERIES = 20


def given_up(**values) -> WorkItem:
    given = {"name": "background.prune", "state": "failed", "attempts": 6, "error": "Traceback: no box"}
    return WorkItem.objects.create(**(given | {"finished": timezone.now(), **values}))


def unreachable(reason: str) -> Statement:
    return Statement("delivery.mail_server_not_reached", {"reason": reason})


def message(shop, **values) -> Message:
    channel = Channel.objects.create(user=shop.user, kind="email", address="ada@example.org")
    return Message.objects.create(channel=channel, purpose="test", **values)


@pytest.fixture
def worked(shop):
    run_due()
    return shop


def test_the_page_shows_runs_queues_and_versions(desk, worked):
    page = desk.get(STATUS)
    assert shows(page, "spools.queue_advances moisture", "Django 5.2")
    assert {"none_silent", "counts_work"} <= notes(page)
    assert page.context["outbox"].waiting == 0 and shows(page, "0", note="outbox")
    assert b"state-hold" not in page.content
    assert re.search(r'href="/status/" aria-current="page"', page.content.decode())


def test_more_work_takes_no_more_queries(desk, worked, django_assert_max_num_queries):
    for _ in range(5):
        given_up()
        message(worked, state="failed", error=unreachable("refused"), ended_at=timezone.now())
    with django_assert_max_num_queries(QUERIES):
        desk.get(STATUS)


def test_work_that_was_given_up_is_run_again_by_its_button(desk, worked):
    item = given_up()
    page = desk.get(STATUS)
    assert shows(page, "Traceback: no box")
    again = reverse("status-again", args=[item.pk])
    assert again in page.content.decode()
    assert notices(desk.post(again, follow=True)) == ["success"]
    run_due()
    item.refresh_from_db()
    assert item.state == "done"
    assert notices(desk.post(again, follow=True)) == ["queued_again error"]
    gone = reverse("status-again", args=[uuid4()])
    assert notices(desk.post(gone, follow=True)) == ["not_kept error"]
    assert desk.get(again).status_code == 405


def test_problems_are_shown_with_their_remedy(desk, shop, settings, monkeypatch):
    monkeypatch.setattr("background.host.LOW_DISK_BYTES", 10**18)
    old = timezone.now() - timedelta(hours=3)
    WorkItem.objects.create(name="spools.advance_dry_boxes", queue="moisture", due=old)
    message(shop, written_at=old, not_before=old)
    message(shop, state="failed", error=unreachable("no such mailbox"), written_at=old)
    page = desk.get(STATUS)
    problems = {check.name: check.problem for check in page.context["faults"]}
    assert {"schedule", "queue moisture"} <= problems.keys() and shows(page, *problems.values())
    outbox = page.context["outbox"]
    assert (outbox.waiting, outbox.failed) == (1, 1)
    assert shows(page, "1", "3 h", "no such mailbox", note="outbox") and "disk_low" in notes(page)


@pytest.mark.parametrize(("mode", "told"), [(0o755, True), (0o700, False)])
def test_a_data_folder_that_is_open_to_others_is_told(desk, settings, tmp_path, mode, told):
    settings.DATA_DIR = tmp_path
    tmp_path.chmod(mode)
    assert ("folder_open" in notes(desk.get(STATUS))) == told


def test_the_error_of_a_message_is_shown_to_its_owner_alone(desk, shop):
    bob = get_user_model().objects.create_user("bob", role="set_up")
    channel = Channel.objects.create(user=bob, kind="email", address="bob@example.org")
    error = unreachable("550 bob@example.org")
    Message.objects.create(channel=channel, purpose="test", state="failed", error=error)
    page = desk.get(STATUS)
    assert page.context["outbox"].failed == 1 and shows(page, "1", note="outbox")
    assert "bob@example.org" not in page.content.decode()
    other = Client()
    other.force_login(bob)
    assert shows(other.get(STATUS), "550 bob@example.org")


def test_a_silent_sensor_is_listed_until_its_next_reading(desk, shop):
    last = timezone.now() - BELIEVED_FOR - timedelta(minutes=1)
    for place, origin in ((shop.box, "api"), (shop.bag, "hand")):
        record_readings(place, [(last - timedelta(hours=n), 22, 14) for n in range(12)], origin=origin)
    assert [late.place for late in late_sensors(timezone.now())] == [shop.box]
    assert shows(desk.get(STATUS), "Dry box", note="silent")
    record_readings(shop.box, [(timezone.now(), 22, 14)], origin="api")
    assert late_sensors(timezone.now()) == []


def test_messages_of_an_ended_channel_are_no_alarm(desk, shop):
    ended = Channel.objects.create(
        user=shop.user, kind="email", address="ada@example.org", ended_at=timezone.now()
    )
    Message.objects.create(channel=ended, purpose="test", state="failed", error=unreachable("550"))
    page = desk.get(STATUS)
    assert page.context["outbox"].failed == 0 and "550" not in page.content.decode()


def test_strangers_see_neither_status_nor_metrics(shop):
    item = given_up()
    stranger = Client()
    assert stranger.get(STATUS).headers["Location"].startswith("/sign-in/")
    assert stranger.post(reverse("status-again", args=[item.pk])).headers["Location"].startswith("/sign-in/")
    item.refresh_from_db()
    assert item.state == "failed"
    for headers in ({}, {"Authorization": "Token no-such-token"}, {"Authorization": "Token"}):
        answer = stranger.get("/metrics", headers=headers)
        assert (answer.status_code, answer.headers["WWW-Authenticate"]) == (401, "Token")


def test_metrics_are_read_by_prometheus_own_parser(shop, worked):
    a_reminder(shop, kind="leak", condition="leak:1")
    # Work that waited for its time is late only since then.
    waited = {"written_at": timezone.now() - timedelta(hours=9)}
    message(shop, not_before=timezone.now() - timedelta(minutes=5), **waited)
    given_up()
    _, token = add_token(shop.user, "a monitor", "read")
    answer = Client().get("/metrics", headers={"Authorization": f"Token {token}"})
    assert answer.headers["Content-Type"].startswith("text/plain; version=")
    families = {family.name: family for family in text_string_to_metric_families(answer.content.decode())}
    value = {
        (sample.name.removeprefix("loadworthy_"), *sample.labels.values()): sample.value
        for family in families.values()
        for sample in family.samples
    }
    assert value["reminders_open", "leak"] == 1
    assert value["messages", "waiting"] == 1
    assert value["messages", "sent"] == 0
    assert 300 <= value["oldest_unsent_message_seconds",] < 360
    assert value["queue_items", "reminders", "failed"] == 1
    assert value["sensors_silent",] == 0
    assert value["disk_free_bytes",] > 0
    finished = datetime.fromtimestamp(
        value["work_last_success_timestamp_seconds", "spools.queue_advances"], UTC
    )
    assert abs(timezone.now() - finished) < timedelta(minutes=1)
    # The conventions: https://prometheus.io/docs/practices/naming/
    for name, family in families.items():
        assert re.fullmatch(r"loadworthy_[a-z]+(_[a-z]+)*", name)
        assert family.documentation.endswith(".") and family.type == "gauge"
        assert not name.endswith(("_ms", "_milliseconds", "_minutes", "_hours", "_mb", "_count", "_total"))
        assert all(re.fullmatch("[a-z]+", label) for sample in family.samples for label in sample.labels)
    assert "process_cpu_seconds" not in families, "of the shop, not of the process that answered"


def test_metrics_take_few_queries_and_a_browser_may_look(desk, worked, django_assert_max_num_queries):
    with django_assert_max_num_queries(20):
        assert desk.get("/metrics").status_code == 200
