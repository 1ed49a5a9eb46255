"""Claim due rows and run them, so that effects are applied exactly once even if a worker crashes.

A claim is one conditional UPDATE that writes a fresh token and a lease into the row. The effects of the work
and the step to "done" commit together, and that step asks for the token: a run that lost its lease to another
one changes no row there, and rolls its effects back.
"""

import logging
import os
import socket
import time
import traceback
from contextlib import suppress
from datetime import datetime, timedelta
from uuid import UUID, uuid4

from django.db import transaction
from django.db.models import F, Q, QuerySet
from django.utils import timezone

from background.clock import ClockWatch, lease_duration, repair_future_timestamps
from background.models import WorkItem
from background.queue import REGISTRY, enqueue_slots
from background.scrub import scrub
from background.trace import bind_work

logger = logging.getLogger(__name__)
State = WorkItem.State

MAX_ATTEMPTS = 6
FIRST_DELAY_S = 15.0
DELAY_GROWTH = 4.0  # 15 s, 1 min, 4 min, 16 min, 64 min
ABANDONED = f"The worker ended while running it, {MAX_ATTEMPTS} times: killed, or over the time limit."
_watch = ClockWatch()


class LeaseLost(Exception):
    """Another worker has taken the row over; this run must leave no trace."""


class AttemptFailed(Exception):
    """A run failed; its error is in the log and in the row, which will be tried again or was given up."""


def run_due(queue: str | None = None) -> int:
    """Run everything that is due (in that queue), one after the other, and return how many rows were run."""
    update_table(timezone.now())
    count = 0
    while item := claim_next(timezone.now(), queue):
        with suppress(AttemptFailed):
            run_item(item)
        count += 1
    return count


def run_row(item_id: UUID, name: str) -> bool:
    """Claim that row and run it. False: it is done, not due, or another worker got there first."""
    if not (item := _claim(item_id, name, timezone.now())):
        return False
    run_item(item)
    return True


def update_table(now: datetime) -> None:
    """Periodic upkeep of the table: present slots and corrections. Writes only when needed."""
    if _watch.went_backwards(now):
        repair_future_timestamps(now)
    enqueue_slots(now)
    if (abandoned := _without_lease(now).filter(attempts__gte=MAX_ATTEMPTS)).exists():
        fail_abandoned(abandoned, now)


def claim_next(now: datetime, queue: str | None = None) -> WorkItem | None:
    """Claim the row (of that queue) that has been due longest, or None. Of several who try, one gets it."""
    while candidate := due_rows(now, queue).first():
        if item := _claim(candidate.pk, candidate.name, now):
            return item
    return None


def due_rows(now: datetime, queue: str | None = None) -> QuerySet[WorkItem]:
    """Rows (of that queue) that may be claimed, the one that has been due longest first."""
    rows = _claimable_rows(now) if queue is None else _claimable_rows(now).filter(queue=queue)
    return rows.order_by("due", "added")


def run_item(item: WorkItem) -> None:
    """Run a claimed row to "done"; or record why it failed and when to try again, and raise AttemptFailed."""
    with bind_work(item.id, item.name, item.attempts, item.queue, item.origin):
        began = time.monotonic()
        try:
            _run(item, began)
            logger.info("%s is done after %.2f s.", item.name, time.monotonic() - began)
        except LeaseLost:
            logger.warning("%s was taken over by another worker; this run has changed nothing.", item)
        except Exception as error:
            logger.exception("%s failed (attempt %d of %d).", item, item.attempts, MAX_ATTEMPTS)
            _fail(item, traceback.format_exc(), duration_s=time.monotonic() - began)
            raise AttemptFailed(type(error).__name__) from error


def _run(item: WorkItem, began: float) -> None:
    if item.name not in REGISTRY:
        raise LookupError(f"No function is registered as background work {item.name!r}.")
    work = REGISTRY[item.name]
    prepared = {"prepared": work.prepare(**item.args)} if work.prepare else {}
    with transaction.atomic():
        work.run(**item.args, **prepared)
        _finish(item, duration_s=time.monotonic() - began)


def release_own_leases() -> None:
    """A worker's first act: end the leases of a dead predecessor of the same name.

    Its work may be tried again at once, for it has hardly been the cause. Work that was running each time a
    worker died waits longer and longer, so that the rest gets its turn.
    """
    now = timezone.now()
    for item in WorkItem.objects.filter(state=State.RUNNING, holder=worker_name()):
        delay_s = 0.0 if item.attempts == 1 else _delay_s(item.attempts - 1)
        WorkItem.objects.filter(pk=item.pk, claim=item.claim).update(
            lease_until=now + timedelta(seconds=delay_s)
        )


def worker_name() -> str:
    """The holder of a claim. A supervisor names its worker, and the worker's successor has the same name."""
    return os.environ.get("LOADWORTHY_WORKER") or f"{socket.gethostname()}:{os.getpid()}"


def _without_lease(now: datetime) -> QuerySet[WorkItem]:
    return WorkItem.objects.filter(
        Q(state=State.QUEUED, due__lte=now) | Q(state=State.RUNNING, lease_until__lte=now)
    )


def _claimable_rows(now: datetime) -> QuerySet[WorkItem]:
    return _without_lease(now).filter(attempts__lt=MAX_ATTEMPTS)


def _claim(item_id: UUID, name: str, now: datetime) -> WorkItem | None:
    token = uuid4()
    claimed = (
        _claimable_rows(now)
        .filter(pk=item_id, name=name)
        .update(
            state=State.RUNNING,
            claim=token,
            holder=worker_name(),
            lease_until=now + lease_duration(name),
            attempts=F("attempts") + 1,
        )
    )
    return WorkItem.objects.get(pk=item_id, claim=token) if claimed else None


def _finish(item: WorkItem, duration_s: float) -> None:
    updated = WorkItem.objects.filter(pk=item.pk, state=State.RUNNING, claim=item.claim).update(
        state=State.DONE,
        claim=None,
        lease_until=None,
        error="",
        finished=timezone.now(),
        duration_s=duration_s,
    )
    if not updated:
        raise LeaseLost


def _fail(item: WorkItem, error: str, duration_s: float) -> None:
    now = timezone.now()
    last = item.attempts >= MAX_ATTEMPTS
    delay = timedelta(seconds=_delay_s(item.attempts))
    if item.name in REGISTRY and (period := REGISTRY[item.name].period):
        # No new slot is added while this one waits, so it must not wait for long.
        delay = min(delay, period)
    with transaction.atomic():
        updated = WorkItem.objects.filter(pk=item.pk, state=State.RUNNING, claim=item.claim).update(
            state=State.FAILED if last else State.QUEUED,
            claim=None,
            lease_until=None,
            due=item.due if last else now + delay,
            error=scrub(error),
            finished=now,
            duration_s=duration_s,
        )
        if last and updated:
            _give_up(item)


def _give_up(item: WorkItem) -> None:
    """Let the work store that it was given up. What goes wrong there must not keep the row alive."""
    if (work := REGISTRY.get(item.name)) and work.give_up:
        try:
            with transaction.atomic():
                work.give_up(**item.args)
        except Exception:
            logger.exception("%s was given up, which its owner could not store.", item)


def _delay_s(attempts: int) -> float:
    """Seconds to wait after that many attempts."""
    return FIRST_DELAY_S * DELAY_GROWTH ** (attempts - 1)


def fail_abandoned(items: QuerySet[WorkItem], now: datetime) -> None:
    """Give up rows whose every run ended with its worker, or they would end workers for ever."""
    for item in items:
        with transaction.atomic():
            # Another scheduler may have been first.
            if items.filter(pk=item.pk).update(
                state=State.FAILED,
                claim=None,
                lease_until=None,
                error=ABANDONED,
                finished=now,
            ):
                _give_up(item)
