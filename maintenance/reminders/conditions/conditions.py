"""The present conditions of some kinds."""

from dataclasses import dataclass, field
from datetime import datetime

from maintenance.models import Reminder


@dataclass
class Conditions:
    """The present conditions of some kinds, by their names; an open reminder without one of them ends.

    opening: reminders to open or to update. holding: reminders that stay open but are not opened, so that
    nothing flickers at a limit. urgent: names of urgent conditions. last_event_at: for conditions that are
    completed once per event, the time of the last event.
    """

    kinds: list[str]
    opening: dict[str, Reminder] = field(default_factory=dict)
    holding: dict[str, Reminder] = field(default_factory=dict)
    urgent: set[str] = field(default_factory=set)
    last_event_at: dict[str, datetime] = field(default_factory=dict)

    def open(
        self, reminder: Reminder, *, urgent: bool = False, last_event_at: datetime | None = None
    ) -> None:
        self.opening[reminder.condition] = reminder
        if urgent:
            self.urgent.add(reminder.condition)
        if last_event_at is not None:
            self.last_event_at[reminder.condition] = last_event_at

    def open_or_hold(
        self, reminder: Reminder, *, opens: bool, holds: bool = True, urgent: bool = False
    ) -> None:
        if opens:
            self.open(reminder, urgent=urgent)
        elif holds:
            self.holding[reminder.condition] = reminder
