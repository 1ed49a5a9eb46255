"""The Celery tasks of all registered work, the start of a worker, and the deletion of old rows."""

import faulthandler
import gc
from collections.abc import Iterator
from contextlib import contextmanager
from uuid import UUID

from celery import Task, current_app
from celery.signals import setup_logging, worker_init, worker_process_init
from django.conf import settings
from django.db import connections
from django.utils import timezone

from background.backups import back_up
from background.queue import REGISTRY, repeated_work
from background.retention import prune_items
from background.running import AttemptFailed, release_own_leases, run_row

# A run that does not react to the exception at its time limit is killed this much later.
KILL_AFTER_S = 10.0
# Work loads some 100,000 objects that live until its end. With Python's own thresholds a tenth of its time went into
# looking through them again and again.
GARBAGE_THRESHOLDS = 20_000, 20, 20


def register_celery_tasks() -> None:
    """Make each registered work a Celery task under its own name, and repeated work an entry of the beat."""
    for work in REGISTRY.values():
        current_app.task(
            run_task,
            bind=True,
            name=work.name,
            soft_time_limit=work.limit_s,
            time_limit=work.limit_s + KILL_AFTER_S,
            # Logged where it happened, with the id of the web request; Celery only reports it to monitors.
            throws=(AttemptFailed,),
        )
    current_app.conf.task_routes = {work.name: {"queue": work.queue} for work in REGISTRY.values()}
    current_app.conf.beat_schedule = {
        work.name: {"task": work.name, "schedule": work.period} for work in REGISTRY.values() if work.period
    }


def run_task(task: Task, item_id: str) -> None:
    """Run the row with that id, unless it is done, not due yet, or claimed by another worker."""
    if settings.REDIS_URL:
        run_row(UUID(item_id), task.name)
    else:
        with _end_process_after(task.soft_time_limit):
            run_row(UUID(item_id), task.name)


@contextmanager
def _end_process_after(limit_s: float) -> Iterator[None]:
    """End this process, with the stacks of all threads on stderr, if the block takes longer.

    The embedded worker runs tasks in a thread, which Celery cannot interrupt. The supervisor starts the
    worker again.
    """
    # Celery puts a logger in the place of sys.stderr, which this function cannot write to: hence 2.
    faulthandler.dump_traceback_later(limit_s, exit=True, file=2)
    try:
        yield
    finally:
        faulthandler.cancel_dump_traceback_later()


@repeated_work(name="background.prune", days=1)
def prune_old_items() -> None:
    prune_items(timezone.now())


def _back_up_if_wanted() -> None:
    if settings.DAILY_BACKUP:
        back_up()


@repeated_work(name="background.back_up", days=1, queue="files", limit_s=3600, prepare=_back_up_if_wanted)
def back_up_daily(prepared: None) -> None:
    """Nothing is recorded: the archive was written before, outside the transaction, in which others would wait."""


@worker_init.connect
@worker_process_init.connect
def on_worker_init(**_: object) -> None:
    """Called in a worker and in its child process, also when a new child replaces one that was killed."""
    release_own_leases()
    # A child that is forked must not inherit a connection.
    connections.close_all()


@worker_init.connect
def freeze_imported_modules(**_: object) -> None:
    """The garbage collector need not look through what is never freed, and a child shares its memory."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(*GARBAGE_THRESHOLDS)


@setup_logging.connect
def leave_logging_to_django(**_: object) -> None:
    """Celery sets up no logging of its own once a receiver is connected to this signal."""
