"""Reminders as a calendar that phones subscribe to (RFC 5545), at an address that only its owner knows.

Events, not to-dos: phones show the events of a calendar that is subscribed to and leave its VTODOs out (from
memory). What has ended is gone from the feed, and so from the phone at its next look.
"""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import icalendar
from django.db.models import Count, Max, Q
from django.utils import timezone
from django.utils.crypto import salted_hmac
from django.utils.translation import gettext as _

from access.display import shown_for
from maintenance.models import Channel, Reminder, ReminderEvent
from maintenance.reminders.delivery.wording import address_of
from maintenance.reminders.links import link_of, with_subjects
from spools.codes import pretty
from spools.models import DryingRun
from spools.statements import Statement
from spools.wording import format_duration

Kind = Reminder.Kind
# How long an event is drawn, and after what time a phone may look again (RFC 7986, 5.7).
LENGTH, LOOK_AGAIN = timedelta(minutes=30), timedelta(hours=1)


def calendar_of(token: str) -> Channel | None:
    """The open calendar of that address."""
    feeds = Channel.objects.filter(kind=Channel.Kind.CALENDAR, ended_at=None, user__is_active=True)
    return feeds.filter(address=token).select_related("user").first() if token else None


def as_ical(channel: Channel) -> bytes:
    """The whole feed, in the language of its owner: the same to the last byte while nothing changes."""
    with shown_for(channel.user):
        return _write_feed(channel)


def _write_feed(channel: Channel) -> bytes:
    kinds = set(channel.subscriptions.values_list("reminder_kind", flat=True))
    planned = dict(_planned(kinds))
    open_or_completed = Reminder.objects.filter(Q(ended_at=None) | Q(ending=Reminder.Ending.COMPLETED))
    recorded = open_or_completed.filter(condition__in=planned).values_list("condition", flat=True)
    for condition in recorded:
        planned.pop(condition, None)
    events = dict(_dated(kinds)) | planned
    feed = icalendar.Calendar()
    feed.add("prodid", "-//Loadworthy//Reminders//EN")
    feed.add("version", "2.0")
    feed.add("method", "PUBLISH")
    feed.add("name", "Loadworthy")
    feed.add("refresh-interval", LOOK_AGAIN, parameters={"VALUE": "DURATION"})
    for __, event in sorted(events.items(), key=lambda item: (item[1].start, item[0])):
        feed.add_component(event)
    return feed.to_ical()


def _dated(kinds: set[str]) -> Iterator[tuple[str, icalendar.Event]]:
    """Open reminders of these kinds that are due at a known time."""
    open_ = Reminder.objects.filter(kind__in=kinds, ended_at=None, due_at__isnull=False)
    reminders, now = list(with_subjects(open_)), timezone.now()
    changes = _changes([reminder.condition for reminder in reminders])
    for reminder in reminders:
        count, last = changes.get(reminder.condition, (1, reminder.opened_at))
        assert reminder.due_at is not None
        # Snoozed until an amount it may return any day, so it stays where it was.
        snoozed_until = reminder.snoozed_until if reminder.snoozed_until_amount is None else None
        start = snoozed_until if snoozed_until is not None and snoozed_until > now else reminder.due_at
        text = f"{reminder.reason.sentence}\n{reminder.remedy.sentence}"
        path = link_of(reminder)[0]
        yield _event(reminder.condition, start, reminder.title, text, path, last, count - 1)


def _changes(conditions: list[str]) -> dict[str, tuple[int, datetime]]:
    """The number of events of the reminders of each condition, and the time of the last one."""
    rows = (
        ReminderEvent.objects.filter(reminder__condition__in=conditions)
        .values("reminder__condition")
        .annotate(count=Count("pk"), last=Max("at"))
        .order_by()
    )
    return {row["reminder__condition"]: (row["count"], row["last"]) for row in rows}


def _planned(kinds: set[str]) -> Iterator[tuple[str, icalendar.Event]]:
    """The planned ends of drying runs under way, under the conditions of the reminders that will follow."""
    runs = DryingRun.objects.filter(end=None).select_related("spool", "dryer")
    for run in runs if kinds & {Kind.DRYING_DONE, Kind.DRYER_UP} else runs.none():
        path, where = f"/s/{run.spool.code}/", {"spool": run.spool.code, "dryer": str(run.dryer)}
        if Kind.DRYING_DONE in kinds:
            title = Statement("reminder.drying_over", where).title
            text = _("Its {duration} ({temperatures}) are over.").format(
                duration=format_duration(run.planned_hours), temperatures=run.temperatures
            )
            yield _event(f"drying_done:run:{run.pk}", run.planned_end, title, text, path, run.start)
        if Kind.DRYER_UP in kinds and run.change_at is not None:
            title = Statement("reminder.first_stage_over", where | {"set_point_c": run.set_point_c}).title
            text = _("The first stage of {spool}, {duration}, is over.").format(
                spool=pretty(run.spool.code), duration=format_duration(run.first_hours or 0)
            )
            yield _event(f"dryer_up:run:{run.pk}", run.change_at, title, text, path, run.start)


def _event(
    condition: str,
    start: datetime,
    title: str,
    text: str,
    path: str,
    changed_at: datetime,
    changes: int = 0,
) -> tuple[str, icalendar.Event]:
    """The event of a condition. changed_at, changes: when it last changed, and how often."""
    event = icalendar.Event()
    # Unique to the shop and the condition, and reveals neither.
    event.add("uid", salted_hmac("maintenance.calendar", condition).hexdigest())
    event.add("dtstamp", changed_at.astimezone(UTC))
    event.add("last-modified", changed_at.astimezone(UTC))
    event.add("sequence", changes)
    event.add("dtstart", start.astimezone(UTC))
    event.add("dtend", (start + LENGTH).astimezone(UTC))
    event.add("summary", title)
    event.add("description", text)
    # It blocks no time of the day.
    event.add("transp", "TRANSPARENT")
    if link := address_of(path) if path else "":
        event.add("url", link)
    return condition, event
