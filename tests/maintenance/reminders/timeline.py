"""Conditions that come and go on a timeline, reconciled hour by hour."""

from datetime import UTC, datetime, timedelta

import time_machine

from maintenance.models import Reminder, ReminderEvent
from maintenance.reminders.conditions.conditions import Condition
from maintenance.reminders.lifecycle import snooze
from maintenance.reminders.queries import open_reminders, snoozed_reminders
from maintenance.reminders.reconcile import Counts, reconcile
from tests.maintenance.reminders.texts import texts

START = datetime(2026, 3, 1, 8, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)
KINDS = ["clean", "reorder"]


def make(condition: str = "clean:1", amount: float | None = 60, **values) -> Reminder:
    given = {"kind": "clean", **texts()}
    return Reminder(**given | {"condition": condition, "amount": amount, "amount_unit": "hours"} | values)


def conditions(*opening: Reminder, holding=(), urgent=(), last_event_at=()) -> list[Condition]:
    opens = [
        Condition(
            reminder,
            urgent=reminder.condition in urgent,
            last_event_at=dict(last_event_at).get(reminder.condition),
        )
        for reminder in opening
    ]
    return [*(Condition(reminder, opens=False) for reminder in holding), *opens]


def reconcile_at(hours: float, *wanted: Reminder, **more) -> Counts:
    with time_machine.travel(START + hours * HOUR, tick=False):
        return reconcile(KINDS, conditions(*wanted, **more), START + hours * HOUR)


def event_types(condition: str = "clean:1") -> list[str]:
    found = ReminderEvent.objects.filter(reminder__condition=condition).order_by("id")
    return list(found.values_list("type", flat=True))


def open_reminder(condition: str = "clean:1") -> Reminder:
    return Reminder.objects.get(condition=condition, ended_at=None)


def snoozed_at(hours: float, **how) -> Reminder:
    with time_machine.travel(START + hours * HOUR, tick=False):
        return snooze(open_reminder(), **how)


def is_due(hours: float) -> bool:
    now = START + hours * HOUR
    assert snoozed_reminders(now).exists() is not open_reminders(now).exists()
    return open_reminders(now).exists()
