"""The state of the job table for pages and metrics; reads only."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db.models import Count, Max, Min, Q, QuerySet

from background.models import WorkItem
from background.queue import REGISTRY, periods, slot_start
from background.queues import QUEUES

State = WorkItem.State
SEEN_WITHIN = timedelta(days=1)


@dataclass(frozen=True)
class LastRun:
    """The newest run of a registered name; all None when it has not run yet."""

    name: str
    state: str | None
    finished: datetime | None
    duration_s: float | None


def last_runs() -> list[LastRun]:
    """The newest run, finished or failed, of every registered name, in the order of names. Two queries."""
    finished = _newest(WorkItem.objects.filter(finished__isnull=False))
    rows = WorkItem.objects.filter(finished__in=finished.values())
    by_name = {row.name: row for row in rows if row.finished == finished[row.name]}
    runs = []
    for name in sorted(REGISTRY):
        row = by_name.get(name)
        runs.append(
            LastRun(name, row.state, row.finished, row.duration_s) if row else LastRun(name, None, None, None)
        )
    return runs


def last_successes() -> dict[str, datetime]:
    """When each name was last done. One query."""
    return _newest(WorkItem.objects.filter(state=State.DONE))


def _newest(items: QuerySet[WorkItem]) -> dict[str, datetime]:
    rows = items.order_by().values("name").annotate(newest=Max("finished")).values_list("name", "newest")
    return {name: newest for name, newest in rows if newest is not None}


@dataclass
class QueueState:
    """Items of a queue: waiting (due or not), running, given up; the oldest due one; a lease in force."""

    name: str
    waiting: int = 0
    running: int = 0
    failed: int = 0
    waits_since: datetime | None = None
    held: bool = False


def queue_states(now: datetime) -> list[QueueState]:
    """All queues, in the order of QUEUES. One query."""
    states = {name: QueueState(name) for name in QUEUES}
    rows = (
        WorkItem.objects.exclude(state=State.DONE)
        .order_by()
        .values("queue", "state")
        .annotate(count=Count("pk"), due_since=Min("due"), held=Count("pk", filter=Q(lease_until__gt=now)))
    )
    for row in rows:
        queue = states[row["queue"]]
        if row["state"] == State.FAILED:
            queue.failed += row["count"]
        elif row["state"] == State.RUNNING:
            queue.running += row["count"]
            queue.held = queue.held or row["held"] > 0
        else:
            queue.waiting += row["count"]
            if row["due_since"] <= now:
                queue.waits_since = min(queue.waits_since or now, row["due_since"])
    return list(states.values())


def next_runs(now: datetime) -> dict[str, datetime]:
    """The start of the next slot of repeated work, by name."""
    return {name: slot_start(period, now) + period for name, period in periods().items()}


def failed_items() -> QuerySet[WorkItem]:
    """Items that were given up, newest first, each with its error."""
    return WorkItem.objects.filter(state=State.FAILED).order_by("-finished")


@dataclass(frozen=True)
class Worker:
    """A worker, with the number of items that it finished within SEEN_WITHIN."""

    name: str
    last_finished: datetime
    items: int


def workers(now: datetime) -> list[Worker]:
    """Workers that finished work lately, the latest first. One query."""
    rows = (
        WorkItem.objects.filter(finished__gt=now - SEEN_WITHIN)
        .exclude(holder="")
        .order_by()
        .values_list("holder")
        .annotate(last_finished=Max("finished"), items=Count("pk"))
    )
    return sorted((Worker(*row) for row in rows), key=lambda worker: worker.last_finished, reverse=True)
