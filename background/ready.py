"""Is the service able to do its work: one function a check, each with its reason when not."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

import redis
from django.conf import settings
from django.db import DatabaseError, connection
from django.db.migrations.executor import MigrationExecutor
from django.db.models import Max

from background.models import WorkItem
from background.queries import queue_states
from background.queue import PERIODS, WORKS

# A sweep comes every few seconds, a long item may take a minute or two.
MOVES_WITHIN = timedelta(minutes=10)
REDIS_WITHIN_S = 2.0


@dataclass(frozen=True)
class Check:
    """One thing that is looked at; says: why it is not well, and what to do, else empty."""

    name: str
    says: str = ""

    @property
    def well(self) -> bool:
        return not self.says


def checks(now: datetime) -> list[Check]:
    """All checks. Without a database, or with one of an older version, the later ones tell nothing."""
    try:
        found = [Check("database"), _migrations()]
        if found[-1].well:
            found += [_schedule(now), *_queues(now)]
    except DatabaseError:
        found = [Check("database", "It does not answer: start it, or correct DATABASE_URL.")]
    if settings.REDIS_URL:
        found.append(_redis())
    return found


def _migrations() -> Check:
    executor = MigrationExecutor(connection)
    waiting = executor.migration_plan(executor.loader.graph.leaf_nodes())
    if not waiting:
        return Check("migrations")
    return Check("migrations", f"{len(waiting)} are not applied: run manage.py prepare, or start with ./run.")


def _schedule(now: datetime) -> Check:
    """Every sweep of every worker puts the present slots of repeated work into the table."""
    newest = WorkItem.objects.filter(name__in=PERIODS).aggregate(newest=Max("added"))["newest"]
    if newest is None:
        return Check("schedule", "No sweep has come yet: a worker and the schedule must run.")
    if newest < now - MOVES_WITHIN - min(PERIODS.values()):
        return Check("schedule", f"No sweep since {newest:%Y-%m-%d %H:%M} UTC: start a worker.")
    return Check("schedule")


def _queues(now: datetime) -> Iterator[Check]:
    """A queue moves when nothing in it is long overdue, or when something of it runs or has just ended."""
    for queue in queue_states(now):
        says = ""
        if queue.waits_since and queue.waits_since < now - MOVES_WITHIN and not queue.held:
            names = [name for name, work in WORKS.items() if work.queue == queue.name]
            if not WorkItem.objects.filter(name__in=names, finished__gt=now - MOVES_WITHIN).exists():
                says = f"Work waits since {queue.waits_since:%Y-%m-%d %H:%M} UTC: start a worker for it."
        yield Check(f"queue {queue.name}", says)


def _redis() -> Check:
    try:
        with redis.Redis.from_url(
            settings.REDIS_URL, socket_connect_timeout=REDIS_WITHIN_S, socket_timeout=REDIS_WITHIN_S
        ) as client:
            client.ping()
    except (redis.RedisError, ValueError):
        return Check("redis", "It does not answer: start it, correct REDIS_URL, or unset it to do without.")
    return Check("redis")
