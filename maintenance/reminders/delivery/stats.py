"""Counts of reminders and messages for the status page and the metrics; reads only."""

from dataclasses import dataclass
from datetime import datetime

from django.db.models import Count, Min, Q, QuerySet

from maintenance.models import Message, Reminder


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
        return self.by_state[Message.State.WAITING]


def outbox(now: datetime) -> Outbox:
    """One query."""
    due = Q(state=Message.State.WAITING) & (Q(not_before__lte=now) | Q(attempts__gt=0))
    rows = (
        Message.objects.order_by()
        .values("state")
        .annotate(
            count=Count("pk"),
            since=Min("not_before", filter=due),
            still=Count("pk", filter=Q(channel__ended_at=None)),
        )
    )
    by_row_state = {row["state"]: row for row in rows}
    by_state = {
        str(state): by_row_state[state]["count"] if state in by_row_state else 0 for state in Message.State
    }
    waiting = by_row_state.get(Message.State.WAITING)
    failed = by_row_state.get(Message.State.FAILED)
    return Outbox(by_state, waiting["since"] if waiting else None, failed["still"] if failed else 0)


def failed_messages() -> QuerySet[Message]:
    """Failed messages of channels that have not ended, newest first, each with its error."""
    failed = Message.objects.filter(state=Message.State.FAILED, channel__ended_at=None)
    return failed.select_related("channel").order_by("-written_at")


def open_by_kind() -> dict[str, int]:
    """Reminders that have not ended, snoozed or not, by kind. One query."""
    rows = Reminder.objects.filter(ended_at=None).order_by().values_list("kind").annotate(Count("pk"))
    counts = dict(rows)
    return {str(kind): counts.get(kind, 0) for kind in Reminder.Kind}
