"""How reminders, their delivery and the sensors are doing; reads only."""

from dataclasses import dataclass
from datetime import datetime

from django.db.models import Count, Min, OuterRef, Q, QuerySet, Subquery

from maintenance.models import Message, Reminder
from spools.hourly import BELIEVED_FOR
from spools.models import Place, Reading


def silent_sensors(now: datetime) -> QuerySet[Place]:
    """Places whose sensor has sent readings, but none that is still believed; last_read: its newest one."""
    newest = Reading.objects.filter(place=OuterRef("pk"), origin=Reading.Origin.API).order_by("-at")
    places = Place.objects.annotate(last_read=Subquery(newest.values("at")[:1]))
    return places.filter(last_read__lte=now - BELIEVED_FOR).order_by("last_read")


@dataclass(frozen=True)
class Outbox:
    """Messages by state, and since when the oldest one waits that should have gone by now."""

    by_state: dict[str, int]
    waits_since: datetime | None

    @property
    def waiting(self) -> int:
        return self.by_state[Message.State.WAITING]

    @property
    def dead(self) -> int:
        return self.by_state[Message.State.DEAD]


def outbox(now: datetime) -> Outbox:
    """One query."""
    due = Q(state=Message.State.WAITING) & (Q(not_before__lte=now) | Q(attempts__gt=0))
    rows = (
        Message.objects.order_by()
        .values("state")
        .annotate(count=Count("pk"), since=Min("not_before", filter=due))
    )
    found = {row["state"]: row for row in rows}
    by_state = {str(state): found[state]["count"] if state in found else 0 for state in Message.State}
    waiting = found.get(Message.State.WAITING)
    return Outbox(by_state, waiting["since"] if waiting else None)


def dead_messages() -> QuerySet[Message]:
    """Messages that were given up, newest first, each with its error."""
    return Message.objects.filter(state=Message.State.DEAD).select_related("channel").order_by("-written_at")


def open_by_kind() -> dict[str, int]:
    """Reminders that have not ended, put off or not, by kind. One query."""
    rows = Reminder.objects.filter(ended_at=None).order_by().values_list("kind").annotate(Count("pk"))
    counts = dict(rows)
    return {str(kind): counts.get(kind, 0) for kind in Reminder.Kind}
