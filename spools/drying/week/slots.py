"""Slots of a quarter of an hour, in which the drying week is planned, and the hours that are staffed."""

from dataclasses import dataclass
from datetime import datetime, time, timedelta

from django.utils import timezone

from spools.drying.week.model import SLOT_MINUTES

SLOT = timedelta(minutes=SLOT_MINUTES)
SLOTS_H = 60 // SLOT_MINUTES
# A print may be due so far ahead.
LONGEST_AHEAD = timedelta(days=7)


@dataclass(frozen=True)
class StaffedHours:
    """The hours of a day, in the shop's zone, in which somebody puts spools in and takes them out."""

    opens: time
    closes: time

    def at(self, moment: datetime) -> bool:
        """Whether somebody is there."""
        return self.opens <= timezone.localtime(moment).time() <= self.closes
