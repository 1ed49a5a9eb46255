"""Readiness of the service: one function a check, each with its problem and remedy."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

import redis
from django.conf import settings
from django.db import DatabaseError, connection
from django.db.migrations.executor import MigrationExecutor
from django.db.models import Max
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from background.models import WorkItem
from background.queries import queue_states
from background.queue import periods

# The schedule acts every few seconds; a long item may take a minute or two.
SERVED_WITHIN = timedelta(minutes=10)
REDIS_WITHIN_S = 2.0
TITLES = {
    "database": gettext_lazy("database"),
    "migrations": gettext_lazy("migrations"),
    "schedule": gettext_lazy("schedule"),
    "queue": gettext_lazy("queue"),
}


@dataclass(frozen=True)
class Check:
    """The result of one check; problem: what is wrong and what to do, or empty."""

    name: str
    problem: str = ""

    @property
    def title(self) -> str:
        """The kind of its name on a page."""
        kind = self.name.partition(" ")[0]
        return str(TITLES.get(kind, kind))

    @property
    def subject(self) -> str:
        """The name of the queue that it is about."""
        return self.name.partition(" ")[2]

    @property
    def is_ok(self) -> bool:
        return not self.problem


def run_checks(now: datetime) -> list[Check]:
    """All checks. Without a database, or with one of an older version, the later ones are left out."""
    try:
        checks = [Check("database"), _check_migrations()]
        if checks[-1].is_ok:
            checks += [_check_schedule(now), *_check_queues(now)]
    except DatabaseError:
        checks = [Check("database", _("It does not answer: start it, or correct DATABASE_URL."))]
    if settings.REDIS_URL:
        checks.append(_check_redis())
    return checks


def _check_migrations() -> Check:
    executor = MigrationExecutor(connection)
    waiting = executor.migration_plan(executor.loader.graph.leaf_nodes())
    if not waiting:
        return Check("migrations")
    problem = _("{number} are not applied: run manage.py prepare, or start with ./run.")
    return Check("migrations", problem.format(number=len(waiting)))


def _check_schedule(now: datetime) -> Check:
    """The schedule adds the present slots of repeated work to the table every few seconds."""
    repeated = periods()
    slots = WorkItem.objects.filter(name__in=repeated, key__isnull=False)
    newest = slots.aggregate(newest=Max("added"))["newest"]
    if newest is None:
        return Check("schedule", _("Nothing was scheduled yet: the schedule must run."))
    if newest < now - SERVED_WITHIN - min(repeated.values()):
        return Check(
            "schedule",
            _("Nothing was scheduled since {time} UTC: start the schedule and a worker.").format(
                time=f"{newest:%Y-%m-%d %H:%M}"
            ),
        )
    return Check("schedule")


def _check_queues(now: datetime) -> Iterator[Check]:
    """A queue is served if nothing in it is long overdue, or if one of its items runs or has just ended."""
    for queue in queue_states(now):
        problem = ""
        overdue = queue.waits_since and queue.waits_since < now - SERVED_WITHIN
        recent = WorkItem.objects.filter(queue=queue.name, finished__gt=now - SERVED_WITHIN)
        if overdue and not queue.held and not recent.exists():
            problem = _("Work waits since {time} UTC: start a worker for it.").format(
                time=f"{queue.waits_since:%Y-%m-%d %H:%M}"
            )
        yield Check(f"queue {queue.name}", problem)


def _check_redis() -> Check:
    try:
        with redis.Redis.from_url(
            settings.REDIS_URL, socket_connect_timeout=REDIS_WITHIN_S, socket_timeout=REDIS_WITHIN_S
        ) as client:
            client.ping()
    except (redis.RedisError, ValueError):
        return Check(
            "redis", _("It does not answer: start it, correct REDIS_URL, or unset it to do without.")
        )
    return Check("redis")
