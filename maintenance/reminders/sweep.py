"""Sweeps: check the conditions of the shop, then open, update and end reminders accordingly."""

from collections.abc import Iterable, Iterator
from datetime import datetime
from itertools import chain

from django.db import transaction
from django.utils import timezone

from maintenance.board import toolheads
from maintenance.changes import FLOW, PARTS, SERVICE, STOCK
from maintenance.models import Reminder
from maintenance.reminders.conditions.boxes import check_boxes
from maintenance.reminders.conditions.conditions import Condition
from maintenance.reminders.conditions.drying import check_drying_runs, check_heat_budgets
from maintenance.reminders.conditions.flow import check_flow
from maintenance.reminders.conditions.moisture import check_moisture
from maintenance.reminders.conditions.parts import check_parts
from maintenance.reminders.conditions.sensors import check_sensors
from maintenance.reminders.conditions.service import check_services
from maintenance.reminders.conditions.stock import check_stock
from maintenance.reminders.lifecycle import lock_reminders
from maintenance.reminders.reconcile import Counts, reconcile
from spools.air import dry_box_board
from spools.board import board

Kind = Reminder.Kind


def sweep(now: datetime | None = None) -> Counts:
    """Check all conditions: open new reminders, end those whose condition is gone."""
    catch_up(now or timezone.now())
    return check_all(now)


def catch_up(now: datetime) -> None:
    """Compute what is stale on the boards, before the transaction that reads them."""
    board.catch_up(now)
    toolheads.read(now=now, inputs=False)
    dry_box_board.read(now)


# Those that each sweep alone makes.
CHECKS = [check_moisture, check_drying_runs, check_boxes, check_heat_budgets, check_sensors]
# Those that a changed fact wakes, by its subject, each with the kinds that it decides.
SUBJECTS = {
    PARTS: (check_parts, [Kind.REPLACE]),
    FLOW: (check_flow, [Kind.FLOW_CHECK, Kind.FLOW_CHART]),
    STOCK: (check_stock, [Kind.REORDER]),
    SERVICE: (check_services, [Kind.CLEAN, Kind.SERVICE]),
}


@transaction.atomic
def check_all(now: datetime | None = None) -> Counts:
    """Reconcile the reminders with all conditions."""
    lock_reminders()
    # The time of the lock, not of waiting for it: events of a reminder have their order by their times.
    now = now or timezone.now()
    found = chain.from_iterable(check(now) for check in CHECKS)
    return reconcile(Kind.values, chain(found, _check_subjects(SUBJECTS, now)), now)


@transaction.atomic
def sweep_subjects(subjects: Iterable[str], now: datetime | None = None) -> Counts:
    """Reconcile the reminders about these subjects of maintenance.changes."""
    lock_reminders()
    now, subjects = now or timezone.now(), sorted(subjects)
    kinds = [kind for subject in subjects for kind in SUBJECTS[subject][1]]
    return reconcile(kinds, _check_subjects(subjects, now), now)


def _check_subjects(subjects: Iterable[str], now: datetime) -> Iterator[Condition]:
    upkeep = toolheads.read_upkeep(now)
    for subject in subjects:
        check, _ = SUBJECTS[subject]
        yield from check(upkeep, now)
