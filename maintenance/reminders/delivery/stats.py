"""How reminders and their delivery are doing; reads only."""

from dataclasses import dataclass
from datetime import datetime

from django.db.models import Count, Min, Q, QuerySet

from maintenance.models import Message, Reminder


@dataclass(frozen=True)
class Outbox:
    """Messages by state, and since when the oldest one waits that should have gone by now.

    dead: those that were given up by ways that are still there.
    """

    by_state: dict[str, int]
    waits_since: datetime | None
    dead: int

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
    found = {row["state"]: row for row in rows}
    by_state = {str(state): found[state]["count"] if state in found else 0 for state in Message.State}
    waiting = found.get(Message.State.WAITING)
    dead = found.get(Message.State.DEAD)
    return Outbox(by_state, waiting["since"] if waiting else None, dead["still"] if dead else 0)


def dead_messages() -> QuerySet[Message]:
    """Messages that were given up by ways that are still there, newest first, each with its error."""
    dead = Message.objects.filter(state=Message.State.DEAD, channel__ended_at=None)
    return dead.select_related("channel").order_by("-written_at")


def open_by_kind() -> dict[str, int]:
    """Reminders that have not ended, put off or not, by kind. One query."""
    rows = Reminder.objects.filter(ended_at=None).order_by().values_list("kind").annotate(Count("pk"))
    counts = dict(rows)
    return {str(kind): counts.get(kind, 0) for kind in Reminder.Kind}
