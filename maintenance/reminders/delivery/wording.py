"""The content of a message: its data is written once, with its event; its sentences are rendered when it is sent."""

from datetime import datetime
from typing import Any

from django.conf import settings
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from maintenance.events.wording import write_sentence
from maintenance.models import Reminder, ReminderEvent
from maintenance.reminders.links import link_of
from spools.statements import Statement
from spools.wording import format_time

Type = ReminderEvent.Type
# The events that people are notified of; the rest is for receivers that track the state.
NOTIFIED = [Type.OPENED, Type.URGENT, Type.RETURNED]
# Of a digest: in its subject, and in all.
LISTED, WRITTEN_OUT = 3, 100
LONGEST_NAME = 120


def address_of(path: str) -> str:
    """The whole address of one of our pages, "" while PUBLIC_URL is not set."""
    return f"{settings.PUBLIC_URL}{path}" if settings.PUBLIC_URL else ""


def body_of(event: ReminderEvent, reminder: Reminder) -> dict[str, Any]:
    """The reminder as of an event; times are UTC, as ISO 8601."""
    path = link_of(reminder)[0] or reverse("reminder", args=[reminder.pk])
    return {
        "event": event.pk,
        "type": event.type,
        "at": event.at.isoformat(),
        "detail": event.detail and event.detail.as_data(),
        "reminder": reminder.pk,
        "kind": reminder.kind,
        "condition": reminder.condition,
        "reason": reminder.reason.as_data(),
        "remedy": reminder.remedy.as_data(),
        "due_at": reminder.due_at and reminder.due_at.isoformat(),
        "urgent": event.type == Type.URGENT or reminder.urgent_since is not None,
        "path": path,
        "link": address_of(path),
    }


def digest_body(entries: list[dict[str, Any]]) -> dict[str, Any]:
    """Several reminders in one message, urgent ones first, at most WRITTEN_OUT in full."""
    ordered = sorted(entries, key=lambda entry: not entry["urgent"])
    path = reverse("reminders")
    listed = ordered[:WRITTEN_OUT]
    omitted = len(ordered) - len(listed)
    return {"entries": listed, "more": omitted, "path": path, "link": address_of(path)}


def test_body() -> dict[str, Any]:
    path = reverse("notifications")
    return {
        "reason": Statement("notification.test").as_data(),
        "remedy": Statement("notification_remedy.none").as_data(),
        "path": path,
        "link": address_of(path),
    }


def confirmation_body(token: str, site: str) -> dict[str, Any]:
    """With the link that confirms an e-mail address. site: its beginning while PUBLIC_URL is not set."""
    path = reverse("channel-confirm", args=[token])
    return {
        "reason": Statement("notification.confirm").as_data(),
        "remedy": Statement("notification_remedy.confirm").as_data(),
        "path": path,
        "link": address_of(path) or f"{site}{path}",
    }


def rendered(body: dict[str, Any]) -> dict[str, Any]:
    """The content with its sentences: the title, the time due, and a sentence beside each code with its values."""
    if "entries" in body:
        return body | {"entries": [rendered(entry) for entry in body["entries"]]}
    reason, due_at = Statement.from_data(body["reason"]), body.get("due_at")
    detail = body.get("detail")
    return body | {
        "title": " ".join(reason.title.split()),
        "reason": reason.with_sentence(),
        "remedy": Statement.from_data(body["remedy"]).with_sentence(),
        "detail": detail and Statement.from_data(detail).with_sentence(),
        "due": format_time(datetime.fromisoformat(due_at)) if due_at else "",
    }


def news_of(body: dict[str, Any]) -> str:
    """One line for the list of messages: the title and the event, or the sentence of an event of the shop."""
    if "sequence" in body:
        return write_sentence(body)
    shown = rendered(body)
    if "type" not in body:
        return subject_of(shown)
    news = f"{shown['title']}: {Type(body['type']).label}"
    # The detail of other events is the amount, which the reminder shows.
    detail = shown["detail"] if body["type"] in (Type.SNOOZED, Type.COMPLETED) else None
    return f"{news} ({detail['sentence']})" if detail else news


def subject_of(body: dict[str, Any]) -> str:
    """One line of a rendered content: the title, or the number of reminders and the first few titles."""
    if "entries" not in body:
        return _("Urgent: {title}").format(title=body["title"]) if body.get("urgent") else body["title"]
    titles = [entry["title"] for entry in body["entries"]]
    if len(titles) == 1:
        return subject_of(body["entries"][0])
    first = "; ".join(title[:LONGEST_NAME] for title in titles[:LISTED])
    count = len(titles) + body["more"]
    if count > LISTED:
        first = _("{titles}; and {number} more").format(titles=first, number=count - LISTED)
    return f"{count_reminders(count)}: {first}"


def count_reminders(number: int) -> str:
    """Such as "3 reminders"."""
    return ngettext("{number} reminder", "{number} reminders", number).format(number=number)
