"""The present conditions of some kinds."""

from dataclasses import dataclass, field
from datetime import datetime

from maintenance.models import Reminder


@dataclass(frozen=True)
class Condition:
    """A present condition: the reminder to open or to bring up to date.

    opens: otherwise it only holds an open reminder, so that nothing flickers at a limit. last_event_at: for one that
    is completed once per event, the time of the last event.
    """

    reminder: Reminder
    opens: bool = True
    urgent: bool = False
    last_event_at: datetime | None = None


@dataclass(frozen=True)
class Conditions:
    """The present conditions of some kinds, by name; an open reminder without one of them ends."""

    kinds: list[str]
    present: dict[str, Condition] = field(default_factory=dict)

    def add(self, condition: Condition) -> None:
        self.present[condition.reminder.condition] = condition
