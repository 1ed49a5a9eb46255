"""Celery's beat over the job table: adds the present slots of repeated work, and sends rows that are due."""

import logging
from datetime import datetime

from celery import bootsteps, current_app
from celery.beat import EmbeddedService, Scheduler
from celery.worker.state import requests as taken_messages
from django.db import close_old_connections
from django.utils import timezone
from kombu.exceptions import OperationalError
from redis import RedisError

from background.queue import send
from background.queues import QUEUES
from background.running import due_rows, update_table

logger = logging.getLogger(__name__)
MOST_SENT = 200  # a tick and queue


class JobTableScheduler(Scheduler):
    """Adds a row for each entry of the schedule whose slot has none, and sends the rows that are due.

    Celery's own scheduler forgets its last runs at a restart, or stores them in a file, and compares times of
    day, so it would stop for an hour after the clock is put back by one. Here the job table holds the runs.
    """

    def tick(self, *args: object, **kwargs: object) -> float:
        interval_s = float(self.app.conf.beat_max_loop_interval)
        try:
            update_table(timezone.now())
            send_due(timezone.now())
        except (OperationalError, RedisError) as error:
            logger.warning("Redis could not be reached to send what is due: %s", error)
        except Exception:
            # Without this the thread would end, and all work with it.
            logger.exception("Due work was not sent; the next try is in %.0f s.", interval_s)
            close_old_connections()
        return interval_s


def send_due(now: datetime) -> None:
    """Send the due rows that have no message: retries, rows whose message was lost, without Redis all rows.

    Of n due rows with m messages in their queue n - m have none. Which ones is not known, so the oldest are
    sent; a second message of a row does no harm, since the row can be claimed once. Rows whose message this
    process has taken from the queue already are left out: the embedded worker takes a few ahead.
    """
    with current_app.producer_or_acquire() as producer:
        for queue in QUEUES:
            due = due_rows(now, queue).values_list("pk", "name")[:MOST_SENT]
            if rows := [row for row in due if str(row[0]) not in taken_messages]:
                waiting = producer.channel.queue_declare(queue=queue).message_count
                for item_id, name in rows[: max(len(rows) - waiting, 0)]:
                    send(item_id, name, queue)


class BeatThread(bootsteps.StartStopStep):
    """The schedule as a thread of the worker: a memory broker is visible in one process only."""

    requires = {"celery.worker.components:Pool"}

    def create(self, worker):
        # Before there are two threads: declared by both at once, a queue of this broker may lose its binding.
        with worker.app.connection_for_write() as connection:
            for queue in worker.app.amqp.queues.consume_from.values():
                queue(connection.default_channel).declare()
        return EmbeddedService(worker.app, thread=True, scheduler_cls=worker.app.conf.beat_scheduler)
