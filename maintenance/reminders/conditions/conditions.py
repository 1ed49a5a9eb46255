"""A condition that keeps a reminder open; the checks of this package yield those that are present."""

from dataclasses import dataclass
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
