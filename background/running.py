"""Claim what is due and run it, so that its effects happen exactly once whoever dies in between.

A claim is one conditional UPDATE that writes a fresh token and a lease into the row. The effects of the work
and the step to "done" commit together, and that step asks for the token: a run that lost its lease to another
one changes no row there, and rolls its effects back.
"""

import faulthandler
import logging
import os
import socket
import time
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext
from datetime import datetime, timedelta
from uuid import uuid4

from django.db import transaction
from django.db.models import F, Q, QuerySet
from django.utils import timezone

from background.clock import ClockWatch, forget_times_to_come, lease_of
from background.models import WorkItem
from background.queue import WORKS, enqueue_slots, queue_of
from background.queues import DEFAULT_QUEUE
from background.scrub import scrubbed
from background.trace import work_of

logger = logging.getLogger(__name__)
State = WorkItem.State

MAX_ATTEMPTS = 6
FIRST_DELAY_S = 15.0
DELAY_GROWTH = 4.0  # 15 s, 1 min, 4 min, 16 min, 64 min
_watch = ClockWatch()


class LeaseLost(Exception):
    """Another worker has taken the item over; this run must leave no trace."""


def run_due(
    budget_s: float = float("inf"),
    stop: Callable[[], bool] = lambda: False,
    watched: bool = False,
    queue: str | None = None,
) -> int:
    """Run everything that is due, one after the other, and return how many items were run.

    queue: only what belongs to that one. budget_s: no new item is begun after so many seconds, nor once
    stop() is true. watched: an item that takes longer than its limit ends this whole process (for workers
    that are started again by their supervisor).
    """
    now = timezone.now()
    if _watch.put_back(now):
        forget_times_to_come(now)
    enqueue_slots(now)
    _bury_the_lost(now)
    began = time.monotonic()
    count = 0
    while not stop() and time.monotonic() - began < budget_s and (item := claim_next(timezone.now(), queue)):
        run_item(item, watched=watched)
        count += 1
    return count


def claim_next(now: datetime, queue: str | None = None) -> WorkItem | None:
    """Take the item (of that queue) that has been due longest, or None. Of several who try, one gets it."""
    while candidate := _claimable(now).filter(_belongs_to(queue)).order_by("due", "added").first():
        claim = uuid4()
        taken = (
            _claimable(now)
            .filter(pk=candidate.pk)
            .update(
                state=State.RUNNING,
                claim=claim,
                holder=worker_name(),
                lease_until=now + lease_of(candidate.name),
                attempts=F("attempts") + 1,
            )
        )
        if taken:
            return WorkItem.objects.get(pk=candidate.pk, claim=claim)
    return None


def run_item(item: WorkItem, watched: bool = False) -> None:
    """Run one claimed item to "done", or note why it failed and when it is tried again."""
    with work_of(item.id, item.name, item.attempts, queue_of(item.name), item.origin):
        _run(item, watched)


def _run(item: WorkItem, watched: bool) -> None:
    began = time.monotonic()
    try:
        if item.name not in WORKS:
            raise LookupError(f"No function is registered as background work {item.name!r}.")
        work = WORKS[item.name]
        with _time_limit(work.limit_s) if watched else nullcontext():
            prepared = {"prepared": work.prepare(**item.args)} if work.prepare else {}
            with transaction.atomic():
                work.run(**item.args, **prepared)
                _finish(item, duration_s=time.monotonic() - began)
        logger.info("%s is done after %.2f s.", item.name, time.monotonic() - began)
    except LeaseLost:
        logger.warning("%s was taken over by another worker; this run has changed nothing.", item)
    except Exception:
        logger.exception("%s failed (attempt %d of %d).", item, item.attempts, MAX_ATTEMPTS)
        _fail(item, traceback.format_exc(), duration_s=time.monotonic() - began)


def release_own_leases() -> None:
    """A worker's first act: end the leases of an earlier one of the same name, which is known to be dead.

    What it ran may be tried again at once, for it has hardly been the cause. Work that was there each time a
    worker went down waits longer and longer, so that the rest gets its turn.
    """
    now = timezone.now()
    for item in WorkItem.objects.filter(state=State.RUNNING, holder=worker_name()):
        delay_s = 0.0 if item.attempts == 1 else _delay_s(item.attempts - 1)
        WorkItem.objects.filter(pk=item.pk, claim=item.claim).update(
            lease_until=now + timedelta(seconds=delay_s)
        )


def worker_name() -> str:
    """Who holds a claim. A supervisor names its worker, so that the next one under that name is its heir."""
    return os.environ.get("LOADWORTHY_WORKER") or f"{socket.gethostname()}:{os.getpid()}"


def _unheld(now: datetime) -> QuerySet[WorkItem]:
    return WorkItem.objects.filter(
        Q(state=State.QUEUED, due__lte=now) | Q(state=State.RUNNING, lease_until__lte=now)
    )


def _claimable(now: datetime) -> QuerySet[WorkItem]:
    return _unheld(now).filter(attempts__lt=MAX_ATTEMPTS)


def _belongs_to(queue: str | None) -> Q:
    if queue is None:
        return Q()
    if queue == DEFAULT_QUEUE:
        # With what nobody registered any more, so that somebody notices.
        return ~Q(name__in=[name for name, work in WORKS.items() if work.queue != queue])
    return Q(name__in=[name for name, work in WORKS.items() if work.queue == queue])


def _finish(item: WorkItem, duration_s: float) -> None:
    done = WorkItem.objects.filter(pk=item.pk, state=State.RUNNING, claim=item.claim).update(
        state=State.DONE,
        claim=None,
        lease_until=None,
        error="",
        finished=timezone.now(),
        duration_s=duration_s,
    )
    if not done:
        raise LeaseLost


def _fail(item: WorkItem, error: str, duration_s: float) -> None:
    now = timezone.now()
    last = item.attempts >= MAX_ATTEMPTS
    WorkItem.objects.filter(pk=item.pk, state=State.RUNNING, claim=item.claim).update(
        state=State.FAILED if last else State.QUEUED,
        claim=None,
        lease_until=None,
        due=item.due if last else now + timedelta(seconds=_delay_s(item.attempts)),
        error=scrubbed(error),
        finished=now,
        duration_s=duration_s,
    )


def _delay_s(attempts: int) -> float:
    """How long to wait after so many attempts."""
    return FIRST_DELAY_S * DELAY_GROWTH ** (attempts - 1)


def _bury_the_lost(now: datetime) -> None:
    """Give up items whose every run took its worker down with it, or they would do so for ever."""
    _unheld(now).filter(attempts__gte=MAX_ATTEMPTS).update(
        state=State.FAILED,
        claim=None,
        lease_until=None,
        error=f"The worker ended in the middle of it, {MAX_ATTEMPTS} times: killed, or over the time limit.",
        finished=now,
    )


@contextmanager
def _time_limit(limit_s: float) -> Iterator[None]:
    """End this process, with the stacks of all threads on stderr, when the block takes longer.

    A thread cannot be interrupted from outside, so the process goes; its lease makes the item return.
    """
    # Celery puts a logger in the place of sys.stderr, which this function cannot write to: hence 2.
    faulthandler.dump_traceback_later(limit_s, exit=True, file=2)
    try:
        yield
    finally:
        faulthandler.cancel_dump_traceback_later()
