"""Service at intervals: how far along a machine is since a service was done, and when it is due."""

from dataclasses import dataclass
from math import inf


@dataclass(frozen=True)
class ServiceProgress:
    """The amount done since a service and its interval, both in unit; ahead: by the next job.

    recorded: False where the service was never recorded and the count goes back to the first job.
    per_day: the present rate of use. stops: when overdue the machine should not start.
    """

    service: str
    where: str
    unit: str
    used: float
    interval: float
    ahead: float = 0.0
    per_day: float = 0.0
    recorded: bool = True
    stops: bool = False

    @property
    def share(self) -> float:
        """1 when it is due."""
        return self.used / self.interval

    @property
    def overdue(self) -> bool:
        return self.used >= self.interval

    @property
    def due_in_job(self) -> bool:
        return self.used + self.ahead >= self.interval

    @property
    def days_left(self) -> float:
        """At the present rate of use; 0 when overdue, infinite when it is not used."""
        if self.overdue:
            return 0.0
        return (self.interval - self.used) / self.per_day if self.per_day > 0 else inf
