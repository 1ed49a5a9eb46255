"""What the job table needs when the computer's clock was wrong.

A clock that runs ahead leaves times behind that have not come yet: slots that count as done, items that wait
and leases that hold for an hour, or a year. Nothing else here depends on the time of day: budgets, limits and
the beat of the sweeps are measured with a clock that nobody can set.
"""

import time
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db import transaction

from background.models import WorkItem
from background.queue import PERIODS, limit_of, slot_key

State = WorkItem.State
# Computers that keep their clocks by the network differ by less.
TOLERANCE = timedelta(minutes=1)
LEASE_MARGIN = timedelta(seconds=30)


@dataclass
class ClockWatch:
    """Tells when the clock may have been put back: at the first look, and when it has lost time since."""

    offset: timedelta | None = None

    def put_back(self, now: datetime) -> bool:
        offset, before = timedelta(seconds=now.timestamp() - time.monotonic()), self.offset
        self.offset = offset
        return before is None or offset < before - TOLERANCE


@transaction.atomic
def forget_times_to_come(now: datetime) -> None:
    """Put right what a clock that ran ahead has written. Any number of workers may do so, one by one."""
    ahead = now + TOLERANCE
    slots = WorkItem.objects.filter(name__in=PERIODS, key__isnull=False)
    names = set(slots.filter(added__gt=ahead).values_list("name", flat=True))
    present = [slot_key(name, PERIODS[name], now) for name in names]
    # The slots to come are given back, and the present one too, so that the work goes on at once.
    slots.filter(added__gt=ahead, state=State.QUEUED).delete()
    slots.filter(added__gt=ahead).update(key=None)
    slots.filter(key__in=present, state__in=[State.DONE, State.FAILED]).update(key=None)
    for item in WorkItem.objects.filter(state=State.QUEUED, due__gt=ahead):
        counted_from = max(item.added, item.finished or item.added)
        if counted_from > ahead:
            due = now + max(item.due - counted_from, timedelta(0))
            WorkItem.objects.filter(pk=item.pk, state=State.QUEUED).update(due=due)
    for item in WorkItem.objects.filter(state=State.RUNNING, lease_until__gt=ahead):
        longest = now + lease_of(item.name)
        held = WorkItem.objects.filter(pk=item.pk, claim=item.claim, lease_until__gt=longest)
        held.update(lease_until=longest)
    WorkItem.objects.filter(added__gt=ahead).update(added=now)
    WorkItem.objects.filter(finished__gt=ahead).update(finished=now)


def lease_of(name: str) -> timedelta:
    """How long a claim holds: the time limit of the work, and what a process may take to end."""
    return timedelta(seconds=limit_of(name)) + LEASE_MARGIN
