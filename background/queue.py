"""Register background work, and put it in the job table. Used by all other apps, in their tasks.py.

    @background_work("spools.advance_moisture", queue="moisture", prepare=compute_advance)
    def advance_moisture(spool_ids, prepared): ...

    @repeated_work(name="maintenance.raise_reminders", minutes=5, prepare=catch_up)
    def raise_reminders(prepared): ...

    enqueue("spools.advance_moisture", {"spool_ids": [3, 4]})

Each registered function is a Celery task of the same name (background/tasks.py). The job table holds the
work: the message that Celery carries has the id of a row and nothing else, so it can be lost or come twice.

A function runs inside the transaction that also marks its row as done: either both are stored or neither, so
its effects in the database happen exactly once, even if the machine loses power. It may run several times
until it succeeds, so it must not do anything outside the database that cannot be repeated.

A long computation belongs outside the transaction (on SQLite it would block every other write). Pass it as
`prepare`: it is called first, with the same arguments and outside any transaction, and its result is passed
on as the argument `prepared`.
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
from django.db.models import Q
from django.utils import timezone
from django.utils.translation import gettext as _
from kombu.exceptions import OperationalError
from redis import RedisError

from background.models import LIVE, WorkItem
from background.queues import DEFAULT_QUEUE, QUEUES
from background.trace import request_id

logger = logging.getLogger(__name__)
LIMIT_S = 120.0
F = TypeVar("F", bound=Callable[..., Any])


@dataclass(frozen=True)
class RegisteredWork:
    """A registered function, its computation outside the transaction, and how long both together may take."""

    name: str
    run: Callable[..., Any]
    prepare: Callable[..., Any] | None = None
    limit_s: float = LIMIT_S
    queue: str = DEFAULT_QUEUE
    period: timedelta | None = None
    give_up: Callable[..., Any] | None = None


REGISTRY: dict[str, RegisteredWork] = {}


def background_work(
    name: str,
    *,
    prepare: Callable[..., Any] | None = None,
    limit_s: float = LIMIT_S,
    queue: str = DEFAULT_QUEUE,
    period: timedelta | None = None,
    give_up: Callable[..., Any] | None = None,
) -> Callable[[F], F]:
    """Register a function as background work under a name that is unique in the project.

    limit_s: a run that takes longer is stopped and tried again later. queue: one of QUEUES. give_up: called with the
    same arguments when the last attempt has failed, in the transaction that marks the row as failed. Raises
    ValueError for a name in use or an unknown queue.
    """

    def register(function: F) -> F:
        if name in REGISTRY:
            raise ValueError(f"Two functions are registered as background work {name!r}.")
        if queue not in QUEUES:
            raise ValueError(f"{name!r} names the queue {queue!r}; there are {', '.join(QUEUES)}.")
        REGISTRY[name] = RegisteredWork(name, function, prepare, limit_s, queue, period, give_up)
        return function

    return register


def repeated_work(
    *, name: str, minutes: float = 0, hours: float = 0, days: float = 0, **options: Any
) -> Callable[[F], F]:
    """Register a function without arguments (but `prepared`) as repeated work; options as for `background_work`.

    Time since 1970 (UTC) is cut into slots of that length, and the function runs once in each slot in which a
    worker is up. Missed slots are not made up for.
    """
    period = timedelta(minutes=minutes, hours=hours, days=days)
    if period < timedelta(minutes=1):
        raise ValueError(f"{name!r} would be repeated every {period}; the shortest period is a minute.")
    return background_work(name, period=period, **options)


def enqueue(
    name: str,
    args: dict[str, Any] | None = None,
    key: str | None = None,
    due: datetime | None = None,
    singleton_key: str = "",
) -> None:
    """Add a row to the job table as part of the caller's transaction: rolled back with it, visible with it.

    args: keyword arguments that JSON can hold. key: no row is added if the table has one with that key, in
    whatever state (done rows are deleted after background.retention.KEEP_DONE). singleton_key: no row is
    added while one with that key waits or runs. due: not before then; without it at once. Raises LookupError
    for a name that is not registered.
    """
    if name not in REGISTRY:
        raise LookupError(f"No function is registered as background work {name!r}.")
    item = WorkItem(
        name=name,
        queue=REGISTRY[name].queue,
        args=args or {},
        key=key,
        singleton_key=singleton_key,
        due=due or timezone.now(),
        origin=request_id(),
    )
    WorkItem.objects.bulk_create([item], ignore_conflicts=key is not None or bool(singleton_key))
    if item.due <= timezone.now():
        _send_after_commit(item)


def enqueue_next(name: str, args: dict[str, Any], due: datetime, singleton_key: str) -> None:
    """Add the row that follows the running one with that key: for work that schedules its own next run."""
    WorkItem.objects.filter(singleton_key=singleton_key, state=WorkItem.State.RUNNING).update(
        singleton_key=""
    )
    enqueue(name, args, due=due, singleton_key=singleton_key)


def bring_forward(singleton_key: str, due: datetime) -> None:
    """Run the waiting row with that key, if there is one, at ``due`` at the latest."""
    later = WorkItem.objects.filter(singleton_key=singleton_key, state=WorkItem.State.QUEUED, due__gt=due)
    if (item := later.first()) is not None and later.update(due=due) and due <= timezone.now():
        _send_after_commit(item)


@transaction.atomic
def run_again(item_id: UUID) -> WorkItem:
    """Give failed work all its attempts again. Raises ValidationError for any other."""
    item = WorkItem.objects.select_for_update().filter(pk=item_id).first()
    if item is None:
        raise ValidationError(
            _("This work is not stored any more; if it is repeated, it runs again by itself."),
            code="not_kept",
        )
    if item.state != WorkItem.State.FAILED:
        raise ValidationError(
            _("This work is in the queue again already: look at its result in a minute."), code="queued_again"
        )
    item.state, item.attempts, item.due = WorkItem.State.QUEUED, 0, timezone.now()
    try:
        with transaction.atomic():
            item.save(update_fields=["state", "attempts", "due"])
    except IntegrityError as error:
        raise ValidationError(
            _("The same work is in the queue already: that one will do it."), code="queued_alike"
        ) from error
    _send_after_commit(item)
    return item


def queue_of(name: str) -> str:
    """The queue of registered work; the default queue for a name that is not registered any more."""
    return REGISTRY[name].queue if name in REGISTRY else DEFAULT_QUEUE


def time_limit_s(name: str) -> float:
    """How long a run may take, in seconds."""
    return REGISTRY[name].limit_s if name in REGISTRY else LIMIT_S


# Repeated work


def periods() -> dict[str, timedelta]:
    """The period of each repeated work, by name."""
    return {work.name: work.period for work in REGISTRY.values() if work.period}


def enqueue_slots(now: datetime) -> None:
    """Add the present slot of all repeated work. Any number of schedulers may do so at once.

    No slot is added while the previous one still waits or runs; the next call adds it.
    """
    keys = {name: slot_key(name, period, now) for name, period in periods().items()}
    existing = Q(key__in=keys.values()) | Q(singleton_key__in=keys, state__in=LIVE)
    present = set(WorkItem.objects.filter(existing).values_list("name", flat=True))
    for name, key in keys.items():
        if name not in present:
            enqueue(name, key=key, singleton_key=name)


def slot_start(period: timedelta, now: datetime) -> datetime:
    """The start of the slot that now lies in. In UTC, so changes to and from summer time do not move it."""
    epoch = datetime(1970, 1, 1, tzinfo=UTC)
    return epoch + (now - epoch) // period * period


def slot_key(name: str, period: timedelta, now: datetime) -> str:
    return f"{name}:{slot_start(period, now):%Y-%m-%dT%H:%M:%SZ}"


# Messages


def _send_after_commit(item: WorkItem) -> None:
    """Without Redis the broker is in the worker's memory, and the schedule there sends what is due."""
    if settings.REDIS_URL:
        transaction.on_commit(partial(send, item.pk, item.name, item.queue))


def send(item_id: UUID, name: str, queue: str) -> None:
    """Send the Celery task of a row to a worker. If the message is lost, the schedule sends it again."""
    try:
        # A row and its task have the same id, so that each can be looked up by the other.
        current_app.send_task(name, [str(item_id)], task_id=str(item_id), queue=queue, retry=False)
    except (OperationalError, RedisError) as error:
        logger.warning("%s was not sent, Redis could not be reached: %s", name, error)
