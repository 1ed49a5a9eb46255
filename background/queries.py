"""What the background work has been doing; reads only."""

from dataclasses import dataclass
from datetime import datetime

from django.db.models import Max, QuerySet

from background.models import WorkItem
from background.queue import WORKS

State = WorkItem.State


@dataclass(frozen=True)
class LastRun:
    """The newest run of a registered name; all None when it has not run yet."""

    name: str
    state: str | None
    finished: datetime | None
    duration_s: float | None


def last_runs() -> list[LastRun]:
    """The newest run, finished or failed, of every registered name, in the order of names. Two queries."""
    newest = (
        WorkItem.objects.filter(finished__isnull=False)
        .values("name")
        .annotate(newest=Max("finished"))
        .values_list("name", "newest")
    )
    finished = dict(newest)
    rows = WorkItem.objects.filter(finished__in=finished.values())
    by_name = {row.name: row for row in rows if row.finished == finished[row.name]}
    runs = []
    for name in sorted(WORKS):
        row = by_name.get(name)
        runs.append(
            LastRun(name, row.state, row.finished, row.duration_s) if row else LastRun(name, None, None, None)
        )
    return runs


def queue_length() -> int:
    """How many items wait or run."""
    return WorkItem.objects.filter(state__in=[State.QUEUED, State.RUNNING]).count()


def failed_items() -> QuerySet[WorkItem]:
    """Items that were given up, newest first, each with its error."""
    return WorkItem.objects.filter(state=State.FAILED).order_by("-finished")
