"""Correction of the job table after the computer's clock was wrong.

A clock that runs ahead leaves future timestamps behind: slots that count as done, rows that wait and leases
that hold for an hour, or a year. Nothing else here depends on the time of day: time limits and the interval
of the schedule are measured with the monotonic clock.
"""

import time
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db import transaction

from background.models import WorkItem
from background.queue import periods, slot_key, time_limit_s

State = WorkItem.State
# Computers that set their clocks by the network differ by less.
TOLERANCE = timedelta(minutes=1)
LEASE_MARGIN = timedelta(seconds=30)


@dataclass
class ClockWatch:
    """Detects that the clock may have been put back: at the first call, and when it has lost time since."""

    offset: timedelta | None = None

    def went_backwards(self, now: datetime) -> bool:
        offset, before = timedelta(seconds=now.timestamp() - time.monotonic()), self.offset
        self.offset = offset
        return before is None or offset < before - TOLERANCE


@transaction.atomic
def repair_future_timestamps(now: datetime) -> None:
    """Correct the rows that were written by a clock that ran ahead. Several processes may do so in turn."""
    ahead = now + TOLERANCE
    repeated = periods()
    slots = WorkItem.objects.filter(name__in=repeated, key__isnull=False)
    names = set(slots.filter(added__gt=ahead).values_list("name", flat=True))
    present = [slot_key(name, repeated[name], now) for name in names]
    # Future slots become free again, and the present one too, so that the work goes on at once.
    slots.filter(added__gt=ahead, state=State.QUEUED).delete()
    slots.filter(added__gt=ahead).update(key=None)
    slots.filter(key__in=present, state__in=[State.DONE, State.FAILED]).update(key=None)
    for item in WorkItem.objects.filter(state=State.QUEUED, due__gt=ahead):
        counted_from = max(item.added, item.finished or item.added)
        if counted_from > ahead:
            due = now + max(item.due - counted_from, timedelta(0))
            WorkItem.objects.filter(pk=item.pk, state=State.QUEUED).update(due=due)
    for item in WorkItem.objects.filter(state=State.RUNNING, lease_until__gt=ahead):
        longest = now + lease_duration(item.name)
        held = WorkItem.objects.filter(pk=item.pk, claim=item.claim, lease_until__gt=longest)
        held.update(lease_until=longest)
    WorkItem.objects.filter(added__gt=ahead).update(added=now)
    WorkItem.objects.filter(finished__gt=ahead).update(finished=now)


def lease_duration(name: str) -> timedelta:
    """How long a claim holds: the time limit of the work, and time for a process to end."""
    return timedelta(seconds=time_limit_s(name)) + LEASE_MARGIN
