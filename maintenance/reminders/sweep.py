"""Sweeps: check the conditions of the shop, then open, update and end reminders accordingly."""

from collections.abc import Callable, Iterable, Mapping
from datetime import datetime

from django.db import transaction
from django.utils import timezone

from maintenance.board import toolheads
from maintenance.board.upkeep import Upkeep
from maintenance.changes import FLOW, PARTS, SERVICE, STOCK
from maintenance.reminders.conditions.boxes import check_boxes
from maintenance.reminders.conditions.conditions import Conditions
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


def sweep(now: datetime | None = None) -> Counts:
    """Check all conditions: open new reminders, end those whose condition is gone."""
    now = now or timezone.now()
    catch_up(now)
    return check_all(now)


def catch_up(now: datetime) -> None:
    """Compute what is stale on the boards, before the transaction that reads them."""
    board.catch_up(now)
    toolheads.read(now=now, inputs=False)
    dry_box_board.read(now)


@transaction.atomic
def check_all(now: datetime) -> Counts:
    """Reconcile the reminders with all conditions."""
    lock_reminders()
    checks = [check_moisture, check_drying_runs, check_boxes, check_heat_budgets, check_sensors]
    return reconcile([*(check(now) for check in checks), *_check_subjects(CHECKS, now)], now)


# The conditions that a changed fact may open or end, by its subject.
CHECKS: dict[str, Callable[[Mapping[int, Upkeep], datetime], Conditions]] = {
    PARTS: check_parts,
    FLOW: check_flow,
    STOCK: check_stock,
    SERVICE: check_services,
}


@transaction.atomic
def sweep_subjects(subjects: Iterable[str], now: datetime | None = None) -> Counts:
    """Reconcile the reminders about these subjects of maintenance.changes."""
    lock_reminders()
    now = now or timezone.now()
    return reconcile(_check_subjects(subjects, now), now)


def _check_subjects(subjects: Iterable[str], now: datetime) -> list[Conditions]:
    upkeep = toolheads.read_upkeep(now)
    return [CHECKS[subject](upkeep, now) for subject in sorted(subjects)]
