"""Reconciles reminders with the present conditions; the number of queries does not grow with theirs.

A reminder is opened once per condition, becomes urgent once, and ends by itself when its condition is gone.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from django.db.models import Q

from maintenance.events.recording import add_event
from maintenance.models import Reminder, ReminderEvent, ShopEvent
from maintenance.reminders.conditions.conditions import Condition
from maintenance.reminders.delivery import outbox
from maintenance.reminders.lifecycle import COOLDOWN, describe_amount
from spools.statements import Statement

Type = ReminderEvent.Type
# Amounts are stored about as exactly as they are shown, as are the numbers of a reason that change by
# themselves: a sweep writes little where little has changed.
AMOUNT_DIGITS = 3
# The fields of an open reminder that a sweep may change.
CONTENT_FIELDS = ["reason", "remedy", "due_at", "amount", "amount_unit", "amount_falls"]
STATE_FIELDS = ["urgent_since", "snoozed_until", "snoozed_until_amount"]


@dataclass
class Counts:
    """How many reminders a sweep opened, and how many it ended because their condition was gone."""

    opened: int
    resolved: int


@dataclass
class _Changes:
    """The rows that a sweep will write, each kind at once."""

    now: datetime
    new: list[Reminder] = field(default_factory=list)
    changed: list[Reminder] = field(default_factory=list)
    resolved: list[Reminder] = field(default_factory=list)
    events: list[ReminderEvent] = field(default_factory=list)

    def add_event(self, reminder: Reminder, type_: str, detail: Statement | None = None) -> None:
        self.events.append(ReminderEvent(reminder=reminder, type=type_, at=self.now, detail=detail))

    def write(self) -> Counts:
        Reminder.objects.bulk_create(self.new)
        # One statement for many rows: bulk_update takes ten times as long.
        Reminder.objects.bulk_create(
            self.changed,
            update_conflicts=True,
            unique_fields=["id"],
            update_fields=CONTENT_FIELDS + STATE_FIELDS,
        )
        resolved = Reminder.objects.filter(pk__in=[reminder.pk for reminder in self.resolved])
        resolved.update(ended_at=self.now, ending=Reminder.Ending.RESOLVED)
        ReminderEvent.objects.bulk_create(self.events)
        if self.events:
            outbox.post(self.events)
        for reminder in self.new:
            if reminder.kind == Reminder.Kind.REORDER:
                _note_low_stock(reminder)
        return Counts(len(self.new), len(self.resolved))


def _note_low_stock(reminder: Reminder) -> None:
    data = {
        "feedstock": reminder.feedstock_id,
        "part_kind": reminder.part_kind_id,
        "amount": reminder.amount,
        "unit": reminder.amount_unit,
    }
    add_event(ShopEvent.Kind.STOCK_LOW, reminder.opened_at, f"reminder:{reminder.pk}", data)


def reconcile(kinds: Sequence[str], conditions: Iterable[Condition], now: datetime) -> Counts:
    """Open what has no open reminder, update the others, end the rest. Call it under lock_reminders.

    conditions: all that are present, of these kinds. A snoozed reminder never becomes urgent; it may become urgent in
    the sweep that ends the snooze.
    """
    open_ = {
        reminder.condition: reminder
        for reminder in Reminder.objects.filter(kind__in=kinds, ended_at=None).order_by("pk")
    }
    changes = _Changes(now)
    present = {found.reminder.condition: found for found in conditions}
    _open_new([found for name, found in present.items() if found.opens and name not in open_], changes)
    for name, reminder in open_.items():
        if name in present:
            _bring_up_to_date(reminder, present[name], changes)
        else:
            changes.resolved.append(reminder)
            changes.add_event(reminder, Type.RESOLVED)
    return changes.write()


def _open_new(opening: Sequence[Condition], changes: _Changes) -> None:
    completed = _last_completed(opening, changes.now)
    for condition in opening:
        reminder = condition.reminder
        completed_at, last_event_at = completed.get(reminder.condition), condition.last_event_at
        if completed_at is not None and (
            completed_at > changes.now - COOLDOWN
            or (last_event_at is not None and completed_at >= last_event_at)
        ):
            continue
        _round_amount(reminder)
        reminder.opened_at = changes.now
        changes.new.append(reminder)
        changes.add_event(reminder, Type.OPENED, describe_amount(reminder))
        _mark_urgent(reminder, condition, changes)


def _last_completed(opening: Sequence[Condition], now: datetime) -> dict[str, datetime | None]:
    """The last completion of each condition: within COOLDOWN, or ever where completing settles an event."""
    once_per_event = [found.reminder.condition for found in opening if found.last_event_at is not None]
    completed = Reminder.objects.filter(
        Q(ended_at__gt=now - COOLDOWN) | Q(condition__in=once_per_event), ending=Reminder.Ending.COMPLETED
    )
    return dict(completed.order_by("ended_at").values_list("condition", "ended_at"))


def _round_amount(reminder: Reminder) -> None:
    if reminder.amount is not None:
        reminder.amount = float(f"{reminder.amount:.{AMOUNT_DIGITS}g}")


def _bring_up_to_date(reminder: Reminder, condition: Condition, changes: _Changes) -> None:
    """Copy the present content, end a snooze whose time or amount has come, mark what became urgent."""
    current = condition.reminder
    _round_amount(current)
    before = _values(reminder)
    other_unit = reminder.snoozed_until_amount is not None and reminder.amount_unit != current.amount_unit
    for name in CONTENT_FIELDS:
        setattr(reminder, name, getattr(current, name))
    if reminder.snoozed_until is not None and (other_unit or _is_snooze_over(reminder, changes.now)):
        reminder.snoozed_until = reminder.snoozed_until_amount = None
        changes.add_event(reminder, Type.RETURNED, describe_amount(reminder))
    _mark_urgent(reminder, condition, changes)
    if _values(reminder) != before:
        changes.changed.append(reminder)


def _values(reminder: Reminder) -> list[Any]:
    return [getattr(reminder, name) for name in [*CONTENT_FIELDS, *STATE_FIELDS]]


def _is_snooze_over(reminder: Reminder, now: datetime) -> bool:
    """Whether the time or the amount that it is snoozed until has come."""
    assert reminder.snoozed_until is not None
    if reminder.snoozed_until <= now:
        return True
    until, amount = reminder.snoozed_until_amount, reminder.amount
    if until is None:
        return False
    return amount is None or (amount <= until if reminder.amount_falls else amount >= until)


def _mark_urgent(reminder: Reminder, condition: Condition, changes: _Changes) -> None:
    """Once in the life of a reminder."""
    if condition.urgent and not reminder.urgent_since and not reminder.snoozed_until:
        reminder.urgent_since = changes.now
        changes.add_event(reminder, Type.URGENT, describe_amount(reminder))
