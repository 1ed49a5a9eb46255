"""Reminders of the invented shop, and acts that several tests of reminders share."""

import threading
from collections.abc import Callable
from datetime import timedelta

import pytest
from django.db import connection
from django.utils import timezone

from maintenance.jobs.records import record_job
from maintenance.machines.loading import load_spool
from maintenance.models import Fitting, Reminder
from maintenance.reminders.links import link_of, with_subjects
from spools.models import PrintRequest
from tests.maintenance.conftest import PRINT
from tests.spools.conftest import hours_ago

# Acts are committed, so that the sweep after the commit runs.
commits = pytest.mark.django_db(transaction=True)


def want(spool) -> None:
    """Somebody needs the spool: a reminder to dry it may open."""
    PrintRequest.objects.create(spool=spool, mass_g=50, due_at=timezone.now() + timedelta(days=2))


def open_conditions(**filters) -> set[str]:
    return {reminder.condition for reminder in Reminder.objects.filter(ended_at=None, **filters)}


def dry_condition(spool) -> str:
    return f"dry:spool:{spool.pk}"


def reminder_of(kind: str) -> Reminder:
    """The only reminder of that kind, open or ended."""
    return Reminder.objects.get(kind=kind)


def open_reminder(kind: str) -> Reminder:
    return with_subjects(Reminder.objects.filter(ended_at=None)).get(kind=kind)


def is_open(kind: str) -> bool:
    return Reminder.objects.filter(ended_at=None, kind=kind).exists()


def address(kind: str) -> str:
    return link_of(open_reminder(kind))[0]


def wear_out(shop, spool, grams: float = 400) -> Fitting:
    """Print so much filled filament through brass that the nozzle may be used up; 0.26 km of 0.17."""
    load_spool(shop.north, spool, at=hours_ago(30), override_reason="a test")
    values = PRINT | {"mass_g": grams, "hours": 20}
    record_job(toolhead=shop.north, spool=spool, start=hours_ago(29), override_reason="a test", **values)
    return Fitting.objects.get(toolhead=shop.north, role="nozzle", end=None)


def at_once(act: Callable[[], None], times: int) -> list[Exception]:
    """Calls a function in several threads at the same moment; returns what they raised."""
    start, raised = threading.Barrier(times), []

    def run() -> None:
        try:
            start.wait()
            act()
        except Exception as error:
            raised.append(error)
        finally:
            connection.close()

    threads = [threading.Thread(target=run) for _ in range(times)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return raised
