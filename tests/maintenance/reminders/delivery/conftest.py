"""One person, reminders that are raised by hand, and the work of sending alone."""

from collections.abc import Callable, Iterator
from datetime import timedelta
from ipaddress import ip_network

import pytest
import time_machine
from django.contrib.auth import get_user_model
from django.utils import timezone

from background.queue import background_work
from background.running import run_due
from maintenance.models import Channel, Message, Reminder, ReminderEvent, Subscription
from maintenance.reminders.delivery import mail, outbox, posting, schedule
from maintenance.reminders.delivery.webhook import new_secret
from tests.background.registry import registered_work
from tests.maintenance.reminders.delivery.receivers import HttpReceiver, MailReceiver
from tests.maintenance.reminders.texts import texts

Kind = Reminder.Kind


@pytest.fixture(autouse=True)
def only_sending(settings, tmp_path):
    """No other work does anything."""
    settings.PUBLIC_URL = "https://shop.example"
    settings.DATA_DIR = tmp_path
    settings.WEBHOOK_NETWORKS = [ip_network("127.0.0.0/8")]
    with registered_work(schedule.DELIVER):
        # Facts wake the boards.
        for name in ("spools.refresh_board", "maintenance.refresh_board"):
            background_work(name)(lambda: None)
        yield


@pytest.fixture
def cleo(db):
    return get_user_model().objects.create_user("cleo", role="set_up")


@pytest.fixture
def channel(cleo) -> Callable[..., Channel]:
    """A way to reach cleo that tells the given kinds (all without a word), at once or in the digest."""

    def add(kind: str, address: str, kinds=Kind.values, timing="at_once", **values) -> Channel:
        secret = new_secret() if kind == "webhook" else ""
        made = Channel.objects.create(user=cleo, kind=kind, address=address, secret=secret, **values)
        rows = [Subscription(channel=made, reminder_kind=one, timing=timing) for one in kinds]
        Subscription.objects.bulk_create(rows)
        return made

    return add


def raised(number: int = 1, type_: str = "opened", **values) -> ReminderEvent:
    """A reminder, new unless ``number`` has been used, and something that happened to it; not posted yet."""
    said = {
        "title": f"Re-dry spool {number}",
        "why": "0.9 %; limit 0.5 %.",
        "remedy": "Dry it for 9 h at 70 °C.",
    }
    said |= {name: values.pop(name) for name in said if name in values}
    given = {"kind": "dry", "opened_at": timezone.now(), **texts(**said)} | values
    reminder, _ = Reminder.objects.get_or_create(
        condition=f"dry:spool:{number}", ended_at=None, defaults=given
    )
    return ReminderEvent.objects.create(reminder=reminder, type=type_, at=timezone.now())


def post(*events: ReminderEvent) -> list[Message]:
    """Their messages, in the order in which they were written."""
    outbox.post(events)
    return list(Message.objects.filter(event__in=events).order_by("written_at"))


def work_until_quiet() -> None:
    """All that is due now, with what it puts in the queue; as in the minute that begins."""
    schedule.queue_all_deliveries()
    while run_due("delivery"):
        pass


def set_deadline(monkeypatch, seconds: float) -> None:
    """Short for receivers that hang, long for those that answer, however busy the machine is."""
    monkeypatch.setattr(posting, "DEADLINE_S", seconds)
    monkeypatch.setattr(mail, "DEADLINE_S", seconds)


def work_later(minutes: int) -> None:
    """As in a later minute, when a backoff may be over."""
    with time_machine.travel(timezone.now() + timedelta(minutes=minutes), tick=True):
        work_until_quiet()


@pytest.fixture
def web() -> Iterator[HttpReceiver]:
    with HttpReceiver.running() as receiver:
        yield receiver


@pytest.fixture
def post_office(settings) -> Iterator[MailReceiver]:
    """A real SMTP server on loopback, and the settings that send there."""
    with MailReceiver.running() as receiver:
        settings.EMAIL_BACKEND = "django.core.mail.backends.smtp.EmailBackend"
        settings.EMAIL_HOST, settings.EMAIL_PORT = "127.0.0.1", receiver.port
        settings.EMAIL_USE_TLS = False
        settings.DEFAULT_FROM_EMAIL = "Shop <shop@shop.example>"
        yield receiver
