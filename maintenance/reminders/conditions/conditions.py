"""What a look at a subject found."""

from dataclasses import dataclass, field
from datetime import datetime

from maintenance.models import Reminder


@dataclass
class Found:
    """Causes of some kinds as they are now, by cause. What is open and not among them is gone.

    wanted: reminders that should be open. kept: those that stay open, but are not raised, so that nothing
    flickers at a limit. pressing: causes that should be told once more. since: for causes that "done" settles
    until something new happens, when the last thing happened.
    """

    kinds: list[str]
    wanted: dict[str, Reminder] = field(default_factory=dict)
    kept: dict[str, Reminder] = field(default_factory=dict)
    pressing: set[str] = field(default_factory=set)
    since: dict[str, datetime] = field(default_factory=dict)

    def want(self, reminder: Reminder, *, pressing: bool = False, since: datetime | None = None) -> None:
        self.wanted[reminder.cause] = reminder
        if pressing:
            self.pressing.add(reminder.cause)
        if since is not None:
            self.since[reminder.cause] = since

    def keep(self, reminder: Reminder) -> None:
        self.kept[reminder.cause] = reminder
