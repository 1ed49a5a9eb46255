"""Looks for what is due, on a schedule; reads job files."""

from typing import Any

from django.conf import settings
from django.utils import timezone

from background.queue import enqueue, every, work
from maintenance.jobs import files as job_files
from maintenance.reminders import sweep as sweeps
from maintenance.reminders.delivery import tasks as delivery  # noqa: F401  registers its work


@every(name="maintenance.sweep", minutes=5)
def sweep() -> None:
    enqueue("maintenance.reminders.lifecycle", live_key="maintenance.reminders.lifecycle")


def _scan() -> sweeps.Scan:
    return sweeps.scan(timezone.now())


@work("maintenance.reminders.lifecycle", prepare=_scan)
def raise_reminders(prepared: sweeps.Scan) -> None:
    """Store what was computed outside the transaction."""
    sweeps.store_scan(prepared, timezone.now())


@work("maintenance.read_job_file", prepare=job_files.read_file, limit_s=900, queue="files")
def read_job_file(job_file: int, number: int, prepared: dict[str, Any] | None) -> None:
    job_files.store_reading(job_file, number, prepared)


@every(name="maintenance.watch_folder", minutes=1, queue="files")
def watch_folder() -> None:
    if settings.WATCHED_FOLDER:
        enqueue("maintenance.take_in_watched", live_key="maintenance.take_in_watched")


@work("maintenance.take_in_watched", prepare=job_files.take_in_watched, limit_s=900, queue="files")
def take_in_watched(prepared: list[tuple[job_files.StoredContent, str]]) -> None:
    for stored, key in prepared:
        job_files.add_job_file(stored, taken_from=key)


@every(name="maintenance.prune_job_files", days=1, queue="files")
def prune_job_files() -> None:
    job_files.prune_contents(timezone.now())
