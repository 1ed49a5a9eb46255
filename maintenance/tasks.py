"""Raises reminders, reads job files and imports those of the watched folder."""

from typing import Any

from django.utils import timezone

from background.queue import background_work, enqueue, repeated_work
from maintenance.board import toolheads
from maintenance.changes import SUBJECTS, facts_changed
from maintenance.events import feed, verdicts
from maintenance.jobs import files as job_files
from maintenance.jobs import printer_events, projection
from maintenance.models import ToolheadBoard
from maintenance.readiness.builder import PairKey
from maintenance.reminders import sweep as sweeps
from maintenance.reminders.delivery import tasks as delivery  # noqa: F401  registers its work
from maintenance.scales.prints import settle_prints
from maintenance.scales.values import thin_minutes


@repeated_work(name="maintenance.raise_reminders", minutes=5, prepare=lambda: sweeps.catch_up(timezone.now()))
def raise_reminders(prepared: None) -> None:
    sweeps.check_all()


def _compute_toolheads() -> list[ToolheadBoard]:
    now = timezone.now()
    return toolheads.compute(toolheads.find_due(now), now)


@repeated_work(name="maintenance.refresh_board", minutes=15, prepare=_compute_toolheads, queue="moisture")
def refresh_board(prepared: list[ToolheadBoard]) -> None:
    """Store the rows of toolheads that were stale or had their turn; their reminders follow."""
    toolheads.store(prepared)
    if prepared:
        facts_changed(*SUBJECTS)
        _retry_printer_events()


def _retry_printer_events() -> None:
    """A spool was loaded, a print ended or a file was read: an event may have waited for that."""
    if projection.find_waiting_printers():
        enqueue("maintenance.retry_printer_events", singleton_key="maintenance.retry_printer_events")


@repeated_work(name="maintenance.prune_printer_events", days=1)
def prune_printer_events() -> None:
    printer_events.prune_events(timezone.now())


@background_work("maintenance.retry_printer_events")
def retry_printer_events() -> None:
    projection.retry_waiting(projection.find_waiting_printers())


@background_work(
    "maintenance.read_job_file",
    prepare=job_files.read_file,
    limit_s=900,
    queue="files",
    give_up=job_files.give_up_reading,
)
def read_job_file(job_file: int, number: int, prepared: dict[str, Any] | None) -> None:
    job_files.store_reading(job_file, number, prepared)
    _retry_printer_events()


@repeated_work(
    name="maintenance.import_watched_files",
    minutes=1,
    prepare=job_files.store_watched_files,
    limit_s=900,
    queue="files",
)
def import_watched_files(prepared: list[tuple[job_files.StoredContent, str]]) -> None:
    for stored, key in prepared:
        job_files.add_job_file(stored, taken_from=key)


@repeated_work(name="maintenance.prune_job_files", days=1, queue="files")
def prune_job_files() -> None:
    job_files.prune_contents(timezone.now())


@repeated_work(name="maintenance.note_verdicts", minutes=1, prepare=verdicts.judge_loaded, queue="moisture")
def note_verdicts(prepared: dict[PairKey, str]) -> None:
    """Write the events of verdicts that have changed."""
    verdicts.note_verdicts(prepared)


@repeated_work(name="maintenance.prune_events", days=1)
def prune_events() -> None:
    feed.prune_events(timezone.now())


@repeated_work(name="maintenance.weigh_prints", minutes=5)
def weigh_prints() -> None:
    """Compare the grams of prints on scales, and weigh their spools."""
    settle_prints(timezone.now())


@repeated_work(name="maintenance.thin_scale_minutes", days=1)
def thin_scale_minutes() -> None:
    thin_minutes(timezone.now())
