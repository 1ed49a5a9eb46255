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
from functools import partial
from typing import Any, TypeVar
from uuid import UUID

from celery import current_app
from django.conf import settings
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.utils import timezone
from kombu.exceptions import OperationalError
from redis import RedisError

from background.models import WorkItem
from background.queues import DEFAULT_QUEUE, QUEUES
from background.trace import request_id

logger = logging.getLogger(__name__)
LIMIT_S = 120.0
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
    name: str,
    args: dict[str, Any] | None = None,
    key: str | None = None,
    due: datetime | None = None,
    live_key: str = "",
) -> None:
    """Put work in the queue as part of the caller's transaction: rolled back with it, visible with it.

    args: keyword arguments that JSON can hold. key: work with a key that the table already has, in whatever
    state, is not added again (done rows are kept for background.upkeep.KEEP_DONE). live_key: nor is work
    while another item with that one waits or runs; for rounds, which see in the next one what they missed.
    due: not before then; without it at once. Raises LookupError for a name that is not registered.
    """
    if name not in WORKS:
        raise LookupError(f"No function is registered as background work {name!r}.")
    item = WorkItem(
        name=name,
        args=args or {},
        key=key,
        live_key=live_key,
        due=due or timezone.now(),
        origin=request_id(),
    )
    WorkItem.objects.bulk_create([item], ignore_conflicts=key is not None or bool(live_key))
    wake_after_commit(name)


@transaction.atomic
def run_again(item_id: UUID) -> WorkItem:
    """Give work that was given up all its attempts anew. Refused with a ValidationError: any other."""
    item = WorkItem.objects.select_for_update().filter(pk=item_id).first()
    if item is None:
        raise ValidationError("This work is not kept any more; if it is repeated, it comes again by itself.")
    if item.state != WorkItem.State.FAILED:
        raise ValidationError("This work is in the queue again already: look at its result in a minute.")
    item.state, item.attempts, item.due = WorkItem.State.QUEUED, 0, timezone.now()
    try:
        with transaction.atomic():
            item.save(update_fields=["state", "attempts", "due"])
    except IntegrityError as error:
        raise ValidationError("The same work is in the queue already: that one will do it.") from error
    wake_after_commit(item.name)
    return item


def queue_of(name: str) -> str:
    """The queue of registered work; what nobody registered any more is left to the default queue."""
    return WORKS[name].queue if name in WORKS else DEFAULT_QUEUE


def limit_of(name: str) -> float:
    """How long a run may take, in seconds."""
    return WORKS[name].limit_s if name in WORKS else LIMIT_S


def enqueue_slots(now: datetime) -> None:
    """Put the present slot of all repeated work in the queue. Any number of schedulers may do so at once."""
    keys = {slot_key(name, period, now): name for name, period in PERIODS.items()}
    present = set(WorkItem.objects.filter(key__in=keys).values_list("key", flat=True))
    for key, name in keys.items():
        if key not in present:
            enqueue(name, key=key)


def slot_start(period: timedelta, now: datetime) -> datetime:
    """When the slot began that now lies in. In UTC, so no change to summer time moves it."""
    epoch = datetime(1970, 1, 1, tzinfo=UTC)
    return epoch + (now - epoch) // period * period


def slot_key(name: str, period: timedelta, now: datetime) -> str:
    return f"{name}:{slot_start(period, now):%Y-%m-%dT%H:%M:%SZ}"


def wake_after_commit(name: str) -> None:
    """Have a worker look at the queue of that work as soon as the caller's transaction is stored."""
    if settings.REDIS_URL:
        transaction.on_commit(partial(wake, queue_of(name)))


def wake(queue: str) -> None:
    """Ask for a sweep of a queue, unless one waits to be taken already: that will see all that is stored.

    So no messages pile up, and none needs an end that would depend on the clock, or on how busy a worker is.
    Without a broker the work is still done, by the next sweep of the schedule.
    """
    try:
        with current_app.producer_or_acquire() as producer:
            if not producer.channel.queue_declare(queue=queue).message_count:
                current_app.send_task(
                    "background.sweep",
                    [queue],
                    queue=queue,
                    producer=producer,
                    retry=False,
                    ignore_result=True,
                )
    except (OperationalError, RedisError) as error:
        logger.warning("Redis could not be reached to wake a worker: %s", error)
