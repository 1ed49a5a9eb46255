"""The Celery app.

The job table of the `background` app holds the work; Celery only wakes a worker, by a message in the queue
that it serves. With REDIS_URL the workers and the schedule are processes of their own. Without it the broker
lives in the worker's memory, so the schedule runs as a thread of the worker and there is nothing to install
and nothing to lose.
"""

import logging
import os
import warnings

from celery import Celery, bootsteps
from celery.beat import EmbeddedService, Scheduler
from celery.exceptions import SecurityWarning
from kombu import Exchange, Queue

from background.queues import DEFAULT_QUEUE, QUEUES

logger = logging.getLogger(__name__)
os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
# About workers of root that unpickle messages; ours take JSON only, and one task with the name of a queue.
warnings.filterwarnings("ignore", category=SecurityWarning)

app = Celery("loadworthy")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks()

# Asked of the environment, since the settings may be half loaded when this module is imported.
EMBEDDED = not os.environ.get("REDIS_URL")
SWEEP_INTERVAL_S = 1.0 if EMBEDDED else 5.0


class Sweeps(Scheduler):
    """Asks for a sweep of each queue every few seconds; which slots have run is written in the job table.

    Celery's own compares times of day, and stands still for an hour when the clock is put back by one.
    """

    def tick(self, *args: object, **kwargs: object) -> float:
        from background.queue import wake

        try:
            for queue in self.app.amqp.queues.consume_from:
                wake(queue)
        except Exception:
            # Without it the thread would end, and all work with it.
            logger.exception("No sweep could be asked for; the next try is in %.0f s.", SWEEP_INTERVAL_S)
        return SWEEP_INTERVAL_S


app.conf.update(
    # Each with an exchange of its own: left to Celery they would share one, and get each other's messages.
    task_queues=[Queue(name, Exchange(name), routing_key=name) for name in QUEUES],
    task_default_queue=DEFAULT_QUEUE,
    beat_scheduler="config.celery:Sweeps",
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
        # Before there are two threads: declared by both at once, a queue of this broker may lose its binding.
        with worker.app.connection_for_write() as connection:
            for queue in worker.app.amqp.queues.consume_from.values():
                queue(connection.default_channel).declare()
        return EmbeddedService(worker.app, thread=True, scheduler_cls=worker.app.conf.beat_scheduler)


if EMBEDDED:
    app.steps["worker"].add(ScheduleThread)
