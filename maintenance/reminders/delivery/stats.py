"""Counts of reminders and messages for the status page and the metrics; reads only."""

from dataclasses import dataclass
from datetime import datetime

from django.db.models import Count, Min, Q, QuerySet

from maintenance.models import Message, Reminder

State = Message.State


@dataclass(frozen=True)
class Outbox:
    """Messages by state, and the time since which the oldest due one waits.

    failed: failed messages of channels that have not ended.
    """

    by_state: dict[str, int]
    waits_since: datetime | None
    failed: int

    @property
    def waiting(self) -> int:
        return self.by_state[State.WAITING]


def outbox(now: datetime) -> Outbox:
    """One query."""
    due = Q(state=State.WAITING) & (Q(not_before__lte=now) | Q(attempts__gt=0))
    by_state = {str(state): Count("pk", filter=Q(state=state)) for state in State}
    failed = Count("pk", filter=Q(state=State.FAILED, channel__ended_at=None))
    counts = Message.objects.aggregate(**by_state, since=Min("not_before", filter=due), still_failed=failed)
    return Outbox({state: counts[state] for state in by_state}, counts["since"], counts["still_failed"])


def failed_messages() -> QuerySet[Message]:
    """Failed messages of channels that have not ended, newest first, each with its error."""
    failed = Message.objects.filter(state=State.FAILED, channel__ended_at=None)
    return failed.select_related("channel").order_by("-written_at")


def open_by_kind() -> dict[str, int]:
    """Reminders that have not ended, snoozed or not, by kind. One query."""
    rows = Reminder.objects.filter(ended_at=None).order_by().values_list("kind").annotate(Count("pk"))
    counts = dict(rows)
    return {str(kind): counts.get(kind, 0) for kind in Reminder.Kind}
