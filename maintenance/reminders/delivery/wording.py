"""What a message says: written once, with its event, so that each try says the same."""

from typing import Any

from django.conf import settings
from django.urls import reverse

from maintenance.models import Reminder, ReminderEvent
from maintenance.reminders.links import link_of
from spools.wording import format_time

What = ReminderEvent.What
# What people are told of; the rest is for receivers that keep a state.
TOLD_TO_PEOPLE = [What.RAISED, What.ESCALATED, What.BACK]
# Of a digest: in its subject, and in all.
LISTED, WRITTEN_OUT = 3, 100
LONGEST_NAME = 120


def address_of(path: str) -> str:
    """The whole address of one of our pages, "" while PUBLIC_URL is not set."""
    return f"{settings.PUBLIC_URL}{path}" if settings.PUBLIC_URL else ""


def body_of(event: ReminderEvent, reminder: Reminder) -> dict[str, Any]:
    """A reminder as it is told because of an event; times are UTC, as ISO 8601."""
    path = link_of(reminder)[0] or reverse("reminder", args=[reminder.pk])
    return {
        "event": event.pk,
        "what": event.what,
        "at": event.at.isoformat(),
        "said": event.said,
        "reminder": reminder.pk,
        "kind": reminder.kind,
        "cause": reminder.cause,
        "title": " ".join(reminder.title.split()),
        "why": reminder.why,
        "remedy": reminder.remedy,
        "due_at": reminder.due_at and reminder.due_at.isoformat(),
        "due": format_time(reminder.due_at) if reminder.due_at else "",
        "pressing": is_pressing(event, reminder),
        "path": path,
        "link": address_of(path),
    }


def is_pressing(event: ReminderEvent, reminder: Reminder) -> bool:
    return event.what == What.ESCALATED or reminder.escalated_at is not None


def digest_body(entries: list[dict[str, Any]]) -> dict[str, Any]:
    """Several told as one, pressing ones first; the rest of very many is left to the page."""
    ordered = sorted(entries, key=lambda entry: not entry["pressing"])
    path = reverse("reminders")
    listed = ordered[:WRITTEN_OUT]
    more = len(ordered) - len(listed)
    return {"entries": listed, "more": more, "path": path, "link": address_of(path)}


def test_body() -> dict[str, Any]:
    path = reverse("delivery")
    return {
        "title": "A test from Loadworthy",
        "why": "You asked for it on the page where reminders go.",
        "remedy": "That it arrived is all; there is nothing to do.",
        "path": path,
        "link": address_of(path),
    }


def news_of(body: dict[str, Any]) -> str:
    """One line for the list of what was sent: the title and what happened."""
    if "what" not in body:
        return subject_of(body)
    news = f"{body['title']}: {What(body['what']).label}"
    # What was said of the others is their number then, which the reminder tells.
    told = body["said"] if body["what"] in (What.SNOOZED, What.DONE) else ""
    return f"{news} ({told})" if told else news


def subject_of(body: dict[str, Any]) -> str:
    """One line: the title, or how many of them and the first few."""
    if "entries" not in body:
        return f"Pressing: {body['title']}" if body.get("pressing") else body["title"]
    titles = [entry["title"] for entry in body["entries"]]
    if len(titles) == 1:
        return subject_of(body["entries"][0])
    told = "; ".join(title[:LONGEST_NAME] for title in titles[:LISTED])
    count = len(titles) + body["more"]
    more = f"; and {count - LISTED} more" if count > LISTED else ""
    return f"{count} reminders: {told}{more}"
