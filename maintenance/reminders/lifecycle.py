"""Acts of people on a reminder: snooze it until a time or an amount, or complete it."""

from datetime import datetime, timedelta
from typing import Any

from django.db import connection, transaction
from django.db.models import QuerySet
from django.utils import timezone
from django.utils.translation import gettext as _

from maintenance.models import Reminder, ReminderEvent
from maintenance.reminders.delivery import outbox
from spools.checks import require_within
from spools.refusals import refusal
from spools.sentences import format_unit
from spools.statements import Statement
from spools.wording import format_time

Kind = Reminder.Kind
Type = ReminderEvent.Type
# A condition that persists after it was completed opens a reminder again after this: the act may need time.
COOLDOWN = timedelta(hours=24)
# The conditions of these kinds have a last event: completed once, they stay closed until the next.
ONCE_PER_EVENT = {Kind.DRYER_UP, Kind.HEAT, Kind.SENSOR}
LONGEST_SNOOZE = timedelta(days=366)
LARGEST_AMOUNT = 1e6
REMINDERS_LOCK = 7_203_115  # any number that no other advisory lock of this database has


def lock_reminders() -> None:
    """Wait for whoever changes reminders, so that the last sweep knows the newest facts.

    SQLite has one writer at a time anyway. Each transaction that changes reminders takes this lock first and
    no other: facts are recorded in transactions of their own.
    """
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("SELECT pg_advisory_xact_lock(%s)", [REMINDERS_LOCK])


@transaction.atomic
def snooze(
    reminder: Reminder, until: datetime | None = None, amount: float | None = None, by: Any = None
) -> Reminder:
    """Snooze until a time, or until the monitored amount reaches a threshold.

    With an amount it returns after LONGEST_SNOOZE at the latest. Refused: neither or both, a time that is past
    or over a year away, an amount that is reached already, a reminder without an amount, one that has ended.
    """
    reminder, now = _require_open(reminder), timezone.now()
    if (until is None) == (amount is None):
        raise refusal(
            "time_or_amount", _("Give a time or an amount to snooze until, one of the two."), "until"
        )
    if amount is not None:
        amount, until = _require_not_reached(reminder, amount), now + LONGEST_SNOOZE
    elif until is not None:
        _require_within_a_year(until, now)
    reminder.snoozed_until, reminder.snoozed_until_amount = until, amount
    reminder.save(update_fields=["snoozed_until", "snoozed_until_amount"])
    _record(reminder, Type.SNOOZED, describe_snooze(reminder), now, by)
    return reminder


@transaction.atomic
def snooze_several(reminders: QuerySet[Reminder], until: datetime, by: Any = None) -> int:
    """Snooze those of these reminders that are open, until a time. Returns how many.

    Refused: a time that is past or over a year away, and where none of them is open.
    """
    lock_reminders()
    now = timezone.now()
    _require_within_a_year(until, now)
    rows = list(Reminder.objects.filter(pk__in=reminders.values("pk"), ended_at=None).order_by("pk"))
    if not rows:
        raise refusal("none_chosen", _("Choose reminders that are due, at least one."), "reminders")
    events = []
    for reminder in rows:
        reminder.snoozed_until, reminder.snoozed_until_amount = until, None
        reminder.save(update_fields=["snoozed_until", "snoozed_until_amount"])
        detail = describe_snooze(reminder)
        events.append(ReminderEvent(reminder=reminder, type=Type.SNOOZED, at=now, detail=detail, by=by))
    ReminderEvent.objects.bulk_create(events)
    outbox.post(events)
    return len(rows)


def _require_within_a_year(until: datetime, now: datetime) -> None:
    if timezone.is_naive(until) or not now < until <= now + LONGEST_SNOOZE:
        raise refusal("not_in_a_year", _("Give a time in the future, at most a year from now."), "until")


def describe_snooze(reminder: Reminder) -> Statement:
    """The end of its snooze."""
    amount = reminder.snoozed_until_amount
    if amount is not None:
        values = {"amount": amount, "unit": reminder.amount_unit}
        return Statement("reminder.snoozed_until_amount", values)
    assert reminder.snoozed_until is not None
    return Statement("reminder.snoozed_until", {"until": reminder.snoozed_until.isoformat()})


def describe_amount(reminder: Reminder) -> Statement | None:
    """The monitored amount with its unit; None without one."""
    if reminder.amount is None:
        return None
    return Statement("reminder.amount", {"amount": reminder.amount, "unit": reminder.amount_unit})


def _require_not_reached(reminder: Reminder, amount: float) -> float:
    """The amount, if it is still to come."""
    current = describe_amount(reminder)
    if reminder.amount is None or current is None:
        raise refusal(
            "no_number", _("This reminder has no amount. Snooze it until a time instead."), "amount"
        )
    limit = 100 if reminder.amount_unit == "rh_pct" else LARGEST_AMOUNT
    amount = require_within("amount", amount, 0, limit, format_unit(reminder.amount_unit))
    if amount >= reminder.amount if reminder.amount_falls else amount <= reminder.amount:
        if reminder.amount_falls:
            message = _("The amount is {amount} already. Give less than that.")
            raise refusal("fallen_already", message.format(amount=current.sentence), "amount")
        message = _("The amount is {amount} already. Give more than that.")
        raise refusal("reached_already", message.format(amount=current.sentence), "amount")
    return amount


@transaction.atomic
def complete(reminder: Reminder, note: str = "", by: Any = None) -> Reminder:
    """Mark it as done. If its condition persists after COOLDOWN, a new reminder opens."""
    reminder, now = _require_open(reminder), timezone.now()
    reminder.ended_at, reminder.ending = now, Reminder.Ending.COMPLETED
    reminder.note, reminder.ended_by = note, by
    reminder.save(update_fields=["ended_at", "ending", "note", "ended_by"])
    _record(reminder, Type.COMPLETED, Statement("reminder.note", {"note": note}) if note else None, now, by)
    return reminder


@transaction.atomic
def restore(
    reminder: Reminder, *, snoozed_until: datetime | None, snoozed_until_amount: float | None, by: Any = None
) -> Reminder:
    """A reminder is open again, snoozed as it was before it was snoozed or completed.

    Refused: where another one has been opened for its condition since.
    """
    lock_reminders()
    reminder = Reminder.objects.get(pk=reminder.pk)
    if Reminder.objects.filter(condition=reminder.condition, ended_at=None).exclude(pk=reminder.pk).exists():
        raise refusal("opened_since", _("Another reminder has been opened for this since. Look at that one."))
    reminder.ended_at, reminder.ending, reminder.note, reminder.ended_by = None, "", "", None
    reminder.snoozed_until, reminder.snoozed_until_amount = snoozed_until, snoozed_until_amount
    fields = ["ended_at", "ending", "note", "ended_by", "snoozed_until", "snoozed_until_amount"]
    reminder.save(update_fields=fields)
    _record(reminder, Type.RETURNED, None, timezone.now(), by)
    return reminder


def _require_open(reminder: Reminder) -> Reminder:
    """The reminder as it is stored now, locked."""
    lock_reminders()
    reminder = Reminder.objects.get(pk=reminder.pk)
    if reminder.ended_at is not None:
        raise refusal(
            "ended_already",
            _("This reminder ended on {time} already.").format(time=format_time(reminder.ended_at)),
        )
    return reminder


def _record(reminder: Reminder, type_: str, detail: Statement | None, now: datetime, by: Any) -> None:
    event = ReminderEvent.objects.create(reminder=reminder, type=type_, at=now, detail=detail, by=by)
    outbox.post([event])
