"""The one Celery task, and the queue's own upkeep."""

import gc
import threading

from celery import shared_task
from celery.signals import setup_logging, worker_init, worker_shutting_down
from django.utils import timezone

from background.queue import every
from background.running import release_own_leases, run_due
from background.upkeep import prune

SWEEP_BUDGET_S = 20.0
_stopping = threading.Event()


@shared_task(name="background.sweep", ignore_result=True)
def sweep(queue: str) -> None:
    """Run what is due in a queue. Any number of these may come, from the schedule and after commits.

    The message comes by that queue, so a worker runs only what belongs to the queues that it serves.
    """
    run_due(budget_s=SWEEP_BUDGET_S, stop=_stopping.is_set, watched=True, queue=queue)


@every(name="background.prune", days=1)
def prune_old_items() -> None:
    prune(timezone.now())


@worker_init.connect
def _take_over(**_: object) -> None:
    release_own_leases()
    # What has been imported by now stays: the garbage collector need not look through it for each batch.
    gc.collect()
    gc.freeze()


@worker_shutting_down.connect
def _begin_nothing_new(**_: object) -> None:
    _stopping.set()


@setup_logging.connect
def _leave_logging_to_django(**_: object) -> None:
    """Celery sets up no logging of its own once somebody listens to this signal."""
