"""Sweeps: scan the shop for conditions, then open, update and end reminders accordingly."""

from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime

from django.db import connection, transaction
from django.db.models import Q
from django.utils import timezone

from maintenance.board import toolheads
from maintenance.board.upkeep import Upkeep
from maintenance.changes import FLOW, PARTS, SERVICE, STOCK
from maintenance.models import Reminder
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
from spools.board import board
from spools.models import DesiccantCharge, DryingRun, MassEntry, Spool

Kind = Reminder.Kind


@dataclass(frozen=True)
class Scan:
    """Conditions that take the physics to compute, and when that began: facts may have been added since."""

    at: datetime
    conditions: list[Conditions]


def sweep(now: datetime | None = None) -> Counts:
    """Check all conditions: open new reminders, end those whose condition is gone."""
    now = now or timezone.now()
    return store_scan(scan(now), now)


def scan(now: datetime) -> Scan:
    """Compute the conditions of spools and boxes, before the transaction that stores them."""
    began = timezone.now()
    board.catch_up(now)
    toolheads.read(now=now, inputs=False)
    boxes = check_boxes(now)
    with _snapshot():
        return Scan(began, [check_moisture(now), check_drying_runs(now), boxes])


@contextmanager
def _snapshot() -> Iterator[None]:
    """On PostgreSQL all queries see one moment: a weighing between two of them would fit neither.

    SQLite's only kind of transaction here would block all writers for as long.
    """
    if connection.vendor != "postgresql" or connection.in_atomic_block:
        yield
        return
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")
        yield


@transaction.atomic
def store_scan(computed: Scan, now: datetime) -> Counts:
    """Reconcile the reminders with a scan and with all other conditions, which are checked here."""
    lock_reminders()
    checked = [check_heat_budgets(now), check_sensors(now), *_check_subjects(CHECKS, now)]
    _leave_out_changed(computed)
    return reconcile([*computed.conditions, *checked], now)


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


def _leave_out_changed(computed: Scan) -> None:
    """Drop the conditions of spools and boxes about which facts were recorded since the scan."""
    drying = set(DryingRun.objects.filter(end=None).values_list("spool", flat=True))
    empty = set(Spool.objects.exclude(emptied_at=None).values_list("pk", flat=True))
    weighed = set(
        MassEntry.objects.filter(kind=MassEntry.Kind.WEIGHED, recorded_at__gt=computed.at).values_list(
            "spool", flat=True
        )
    )
    charges = DesiccantCharge.objects.filter(Q(recorded_at__gt=computed.at) | Q(withdrawn_at__gt=computed.at))
    filled = set(charges.values_list("place", flat=True))

    def still_holds(reminder: Reminder) -> bool:
        spool, place = reminder.spool_id, reminder.place_id
        match reminder.kind:
            case Kind.DRY:
                return spool not in drying | empty
            case Kind.WEIGH:
                return spool not in drying | empty | weighed
            case Kind.DRYER_UP | Kind.DRYING_DONE:
                return spool in drying
        return place not in filled

    for conditions in computed.conditions:
        for reminders in (conditions.opening, conditions.holding):
            for condition in [name for name, reminder in reminders.items() if not still_holds(reminder)]:
                del reminders[condition]
