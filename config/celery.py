"""The Celery app.

The job table of the `background` app holds the work; Celery only wakes a worker. With REDIS_URL the worker
and the schedule are processes of their own. Without it the broker lives in the worker's memory, so the
schedule runs as a thread of the worker and there is nothing to install and nothing to lose.
"""

import os
import warnings

from celery import Celery, bootsteps
from celery.beat import EmbeddedService
from celery.exceptions import SecurityWarning

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
# About workers of root that unpickle messages; ours take JSON only, and one task without arguments.
warnings.filterwarnings("ignore", category=SecurityWarning)

app = Celery("loadworthy")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks()

# Asked of the environment, since the settings may be half loaded when this module is imported.
EMBEDDED = not os.environ.get("REDIS_URL")
SWEEP_INTERVAL_S = 1.0 if EMBEDDED else 5.0

app.conf.update(
    # A sweep that finds nothing costs three queries; one that waited too long has been overtaken by the next.
    beat_schedule={
        "sweep": {
            "task": "background.sweep",
            "schedule": SWEEP_INTERVAL_S,
            "options": {"expires": 2 * SWEEP_INTERVAL_S},
        }
    },
    # In memory: which slots have run is written in the job table, not in a schedule file.
    beat_scheduler="celery.beat:Scheduler",
    # One item at a time in a worker: the time limit watches a whole process. More hands: more processes.
    worker_pool="threads",
    worker_concurrency=1,
    worker_prefetch_multiplier=1,
    task_acks_late=True,
    worker_enable_remote_control=False,
    broker_connection_max_retries=None,
    broker_transport_options={}
    if EMBEDDED
    else {
        "visibility_timeout": 3600,  # above the longest sweep: its budget and one item's time limit
        "unacked_restore_throttle": 1,
        "socket_connect_timeout": 3,
        "socket_timeout": 30,
        # For publishing only: a page must not wait for a Redis that is down, the sweep makes up for it.
        "max_retries": 0,
    },
)


class ScheduleThread(bootsteps.StartStopStep):
    """The schedule as a thread of the worker: a memory broker is seen by one process only."""

    requires = {"celery.worker.components:Pool"}

    def create(self, worker):
        return EmbeddedService(worker.app, thread=True, scheduler_cls=worker.app.conf.beat_scheduler)


if EMBEDDED:
    app.steps["worker"].add(ScheduleThread)
