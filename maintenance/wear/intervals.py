"""Service at intervals: how far along a machine is since a service was done, and when it is due."""

from dataclasses import dataclass
from math import inf

from .abrasion import Filament, PrintUse, filament_km, heat_weight


@dataclass(frozen=True)
class ServiceProgress:
    """The amount done since a service and its interval, both in unit.

    unit: a key, see ``units_of_print``. recorded: False where the service was never
    recorded and the count goes back to the first job.
    per_day: the present rate of use. stops: when overdue the machine should not start.
    """

    service: str
    where: str
    unit: str
    used: float
    interval: float
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

    def due_after(self, ahead: float) -> bool:
        """Whether it is due once this much more is done."""
        return self.used + ahead >= self.interval

    @property
    def days_left(self) -> float:
        """At the present rate of use; 0 when overdue, infinite when it is not used."""
        if self.overdue:
            return 0.0
        return (self.interval - self.used) / self.per_day if self.per_day > 0 else inf


def units_of_print(unit: str, use: PrintUse, filament: Filament) -> float:
    """The amount that a print adds to the count of a service: in hours, days, prints, feed_km or hot_h."""
    match unit:
        case "hours":
            return use.hours
        case "days":
            return use.hours / 24
        case "prints":
            return use.prints
        case "feed_km":
            return filament_km(use.mass_kg, filament.density_g_cm3, filament.diameter_mm)
    return use.hours * heat_weight(use.nozzle_c, filament.usual_c, filament.ageing_kj_mol)
