"""Reminders as a calendar that phones subscribe to (RFC 5545), at an address that only its owner knows.

Events, not to-dos: phones show the events of a calendar that is subscribed to and leave its VTODOs out (from
memory). What has ended is gone from the feed, and so from the phone at its next look.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import icalendar
from django.db.models import Count, Max, Q, QuerySet
from django.utils import timezone
from django.utils.crypto import salted_hmac

from maintenance.models import Channel, Reminder, ReminderEvent
from maintenance.reminders.delivery.wording import address_of
from maintenance.reminders.links import link_of, with_subjects
from spools.codes import pretty
from spools.models import DryingRun
from spools.statements import Statement

Kind = Reminder.Kind
# How long an event is drawn, and after what time a phone may look again (RFC 7986, 5.7).
LENGTH, LOOK_AGAIN = timedelta(minutes=30), timedelta(hours=1)


@dataclass(frozen=True)
class Entry:
    """One event. changed_at, sequence: of its last change that is known, and how many there were."""

    condition: str
    start: datetime
    title: str
    text: str
    path: str
    changed_at: datetime
    sequence: int = 0


def calendar_of(token: str) -> Channel | None:
    """The open calendar of that address."""
    feeds = Channel.objects.filter(kind=Channel.Kind.CALENDAR, ended_at=None, user__is_active=True)
    return feeds.filter(address=token).first() if token else None


def as_ical(channel: Channel) -> bytes:
    """The whole feed: the same to the last byte while nothing changes."""
    kinds = set(channel.subscriptions.values_list("reminder_kind", flat=True))
    reminders = list(_dated(kinds))
    planned = list(_planned(kinds))
    open_or_completed = Reminder.objects.filter(Q(ended_at=None) | Q(ending=Reminder.Ending.COMPLETED))
    recorded = set(
        open_or_completed.filter(condition__in=[plan.condition for plan in planned]).values_list(
            "condition", flat=True
        )
    )
    entries = [*_entries_of(reminders), *(plan for plan in planned if plan.condition not in recorded)]
    feed = icalendar.Calendar()
    feed.add("prodid", "-//Loadworthy//Reminders//EN")
    feed.add("version", "2.0")
    feed.add("method", "PUBLISH")
    feed.add("name", "Loadworthy")
    feed.add("refresh-interval", LOOK_AGAIN, parameters={"VALUE": "DURATION"})
    for entry in sorted(entries, key=lambda entry: (entry.start, entry.condition)):
        feed.add_component(_event(entry))
    return feed.to_ical()


def _dated(kinds: set[str]) -> QuerySet[Reminder]:
    """Open reminders of these kinds that are due at a known time."""
    open_ = Reminder.objects.filter(kind__in=kinds, ended_at=None, due_at__isnull=False)
    return with_subjects(open_)


def _entries_of(reminders: list[Reminder]) -> Iterator[Entry]:
    changes = _changes([reminder.condition for reminder in reminders])
    now = timezone.now()
    for reminder in reminders:
        count, last = changes.get(reminder.condition, (1, reminder.opened_at))
        assert reminder.due_at is not None
        # Snoozed until an amount it may return any day, so it stays where it was.
        snoozed_until = reminder.snoozed_until if reminder.snoozed_until_amount is None else None
        yield Entry(
            condition=reminder.condition,
            start=snoozed_until if snoozed_until is not None and snoozed_until > now else reminder.due_at,
            title=reminder.title,
            text=f"{reminder.reason.sentence}\n{reminder.remedy.sentence}",
            path=link_of(reminder)[0],
            changed_at=last,
            sequence=count - 1,
        )


def _changes(conditions: list[str]) -> dict[str, tuple[int, datetime]]:
    """The number of events of the reminders of each condition, and the time of the last one."""
    rows = (
        ReminderEvent.objects.filter(reminder__condition__in=conditions)
        .values("reminder__condition")
        .annotate(count=Count("pk"), last=Max("at"))
        .order_by()
    )
    return {row["reminder__condition"]: (row["count"], row["last"]) for row in rows}


def _planned(kinds: set[str]) -> Iterator[Entry]:
    """The planned ends of drying runs under way, under the conditions of the reminders that will follow."""
    runs = DryingRun.objects.filter(end=None).select_related("spool", "dryer")
    for run in runs if kinds & {Kind.DRYING_DONE, Kind.DRYER_UP} else runs.none():
        code, path = pretty(run.spool.code), f"/s/{run.spool.code}/"
        where = {"spool": run.spool.code, "dryer": str(run.dryer)}
        if Kind.DRYING_DONE in kinds:
            yield Entry(
                condition=f"drying_done:run:{run.pk}",
                start=run.start + timedelta(hours=run.planned_hours),
                title=Statement("reminder.drying_over", where).title,
                text=f"Its {run.planned_hours:.4g} h ({run.temperatures}) are over.",
                path=path,
                changed_at=run.start,
            )
        if Kind.DRYER_UP in kinds and run.change_at is not None:
            yield Entry(
                condition=f"dryer_up:run:{run.pk}",
                start=run.change_at,
                title=Statement("reminder.first_stage_over", where | {"set_point_c": run.set_point_c}).title,
                text=f"The first stage of {code}, {run.first_hours:.4g} h, is over.",
                path=path,
                changed_at=run.start,
            )


def _event(entry: Entry) -> icalendar.Event:
    event = icalendar.Event()
    # Unique to the shop and the condition, and reveals neither.
    event.add("uid", salted_hmac("maintenance.calendar", entry.condition).hexdigest())
    event.add("dtstamp", entry.changed_at.astimezone(UTC))
    event.add("last-modified", entry.changed_at.astimezone(UTC))
    event.add("sequence", entry.sequence)
    event.add("dtstart", entry.start.astimezone(UTC))
    event.add("dtend", (entry.start + LENGTH).astimezone(UTC))
    event.add("summary", entry.title)
    event.add("description", entry.text)
    # It blocks no time of the day.
    event.add("transp", "TRANSPARENT")
    if link := address_of(entry.path) if entry.path else "":
        event.add("url", link)
    return event
