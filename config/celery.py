"""The Celery app.

The job table of the `background` app holds the work; a message of Celery starts a worker on one row of it.
With REDIS_URL the workers and the schedule are processes of their own. Without it the broker lives in the
worker's memory, so the schedule runs as a thread of the worker: nothing to install and nothing to lose.
"""

import os
import warnings

from celery import Celery
from celery.exceptions import SecurityWarning
from kombu import Exchange, Queue

from background.queues import DEFAULT_QUEUE, QUEUES

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
# About workers of root that unpickle messages; these accept JSON only, with the id of a row.
warnings.filterwarnings("ignore", category=SecurityWarning)

app = Celery("loadworthy")
app.config_from_object("django.conf:settings", namespace="CELERY")

# From the environment, since the settings may be half loaded when this module is imported.
EMBEDDED = not os.environ.get("REDIS_URL")

app.conf.update(
    # Each with an exchange of its own: left to Celery they would share one, and get each other's messages.
    task_queues=[Queue(name, Exchange(name), routing_key=name) for name in QUEUES],
    task_default_queue=DEFAULT_QUEUE,
    beat_scheduler="background.beat:JobTableScheduler",
    beat_max_loop_interval=1 if EMBEDDED else 5,
    # With Redis a child process runs the tasks, and Celery enforces their time limits. Without it a thread
    # does: a child could not send to a broker in its parent's memory, and SQLite must not be open at a fork.
    worker_pool="threads" if EMBEDDED else "prefork",
    worker_concurrency=1,
    # The broker in memory is polled; between two polls the worker has a few messages to go on with.
    worker_prefetch_multiplier=4 if EMBEDDED else 1,
    # A child that starts on a busy machine is not taken for dead.
    worker_proc_alive_timeout=120,
    task_acks_late=True,
    # `celery inspect`, `celery events` and other monitors reach processes through Redis.
    worker_enable_remote_control=not EMBEDDED,
    worker_send_task_events=not EMBEDDED,
    broker_connection_max_retries=None,
    broker_transport_options={"polling_interval": 0.05}
    if EMBEDDED
    else {
        "visibility_timeout": 3600,  # above the longest time limit
        "unacked_restore_throttle": 1,
        "socket_connect_timeout": 3,
        "socket_timeout": 30,
        # For publishing only: a page must not wait for a Redis that is down; the schedule sends again.
        "max_retries": 0,
    },
)
if EMBEDDED:
    app.steps["worker"].add("background.beat:BeatThread")
