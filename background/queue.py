"""What other apps use: register work, put it in the queue, repeat it.

    @work("spools.advance")
    def advance(spool_id): ...

    @every(name="spools.advance_all", minutes=15)
    def advance_all():
        for spool_id in ...:
            enqueue("spools.advance", {"spool_id": spool_id})

A registered function runs inside the transaction that also marks its item done: either both are stored or
neither, so its effects in the database happen exactly once, whenever the power goes. It may run several times
until it succeeds, so it must not do anything outside the database that cannot be repeated.

A long computation belongs outside the transaction (on SQLite it would hold up every other write). Give it as
`prepare`: it is called first, with the same arguments and outside any transaction, and what it returns is
passed on as the argument `prepared`.

Put registered functions in an app's tasks.py, which is imported when Django starts.
"""

import logging
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, TypeVar

from celery import current_app
from django.conf import settings
from django.db import transaction
from django.utils import timezone
from kombu.exceptions import OperationalError

from background.models import WorkItem

logger = logging.getLogger(__name__)
LIMIT_S = 120.0
# Each may have workers of its own; without a word it is the work on reminders.
QUEUES = ("moisture", "reminders", "delivery", "files")
DEFAULT_QUEUE = "reminders"
F = TypeVar("F", bound=Callable[..., Any])


@dataclass(frozen=True)
class Work:
    """A registered function: its name, what it computes first, and how long both may take."""

    name: str
    run: Callable[..., Any]
    prepare: Callable[..., Any] | None
    limit_s: float
    queue: str = DEFAULT_QUEUE


WORKS: dict[str, Work] = {}
PERIODS: dict[str, timedelta] = {}


def work(
    name: str,
    *,
    prepare: Callable[..., Any] | None = None,
    limit_s: float = LIMIT_S,
    queue: str = DEFAULT_QUEUE,
) -> Callable[[F], F]:
    """Register a function as background work under a name that is unique in the project.

    limit_s: a run that takes longer is ended and tried again later. queue: one of QUEUES. Raises ValueError
    for a name in use or an unknown queue.
    """

    def register(function: F) -> F:
        if name in WORKS:
            raise ValueError(f"Two functions are registered as background work {name!r}.")
        if queue not in QUEUES:
            raise ValueError(f"{name!r} names the queue {queue!r}; there are {', '.join(QUEUES)}.")
        WORKS[name] = Work(name, function, prepare, limit_s, queue)
        return function

    return register


def every(
    *,
    name: str,
    minutes: float = 0,
    hours: float = 0,
    days: float = 0,
    limit_s: float = LIMIT_S,
    queue: str = DEFAULT_QUEUE,
) -> Callable[[F], F]:
    """Register a function without arguments as work that is repeated.

    Time since 1970 (UTC) is cut into slots of that length and the function runs once in each slot in which a
    worker is up. Slots that nobody was there for are not made up for.
    """
    period = timedelta(minutes=minutes, hours=hours, days=days)
    if period < timedelta(minutes=1):
        raise ValueError(f"{name!r} would be repeated every {period}; the shortest period is a minute.")

    def register(function: F) -> F:
        work(name, limit_s=limit_s, queue=queue)(function)
        PERIODS[name] = period
        return function

    return register


def enqueue(
    name: str, args: dict[str, Any] | None = None, key: str | None = None, due: datetime | None = None
) -> None:
    """Put work in the queue as part of the caller's transaction: rolled back with it, visible with it.

    args: keyword arguments that JSON can hold. key: work with a key that the table already has, in whatever
    state, is not added again (done rows are kept for background.upkeep.KEEP_DONE). due: not before then;
    without it at once. Raises LookupError for a name that is not registered.
    """
    if name not in WORKS:
        raise LookupError(f"No function is registered as background work {name!r}.")
    item = WorkItem(name=name, args=args or {}, key=key, due=due or timezone.now())
    WorkItem.objects.bulk_create([item], ignore_conflicts=key is not None)
    if settings.REDIS_URL:
        transaction.on_commit(_wake_a_worker)


def enqueue_slots(now: datetime) -> None:
    """Put the present slot of all repeated work in the queue. Any number of schedulers may do so at once."""
    keys = {_slot_key(name, period, now): name for name, period in PERIODS.items()}
    present = set(WorkItem.objects.filter(key__in=keys).values_list("key", flat=True))
    for key, name in keys.items():
        if key not in present:
            enqueue(name, key=key)


def _slot_key(name: str, period: timedelta, now: datetime) -> str:
    epoch = datetime(1970, 1, 1, tzinfo=UTC)
    start = epoch + (now - epoch) // period * period
    return f"{name}:{start:%Y-%m-%dT%H:%M:%SZ}"


def _wake_a_worker() -> None:
    """Ask for a sweep now. Without a broker the work is still done, by the next sweep of the schedule."""
    try:
        current_app.send_task("background.sweep", retry=False, ignore_result=True)
    except OperationalError as error:
        logger.warning("Redis could not be reached to wake a worker: %s", error)
