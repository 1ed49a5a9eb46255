"""Exposure hours: hours outside dry storage, counted the way IPC/JEDEC J-STD-033 counts floor life.

The rules carry over, the hours of that standard (for electronics) do not. Pure functions.
"""

from dataclasses import dataclass
from enum import StrEnum

# Storage is dry only when measured, or computed for a dry box, at or below this. Common practice, no source.
DRY_STORAGE_RH_PCT = 20.0
# A short exposure is undone by ten times as long in dry air. The factor is the careful end of
# J-STD-033's five to ten; how short "short" is: from memory of the same standard.
SHORT_EXPOSURE_H = 12.0
UNDOING_FACTOR = 10.0


class Exposure(StrEnum):
    """What a stretch of time was for the clock."""

    UNOPENED = "in its bag, not opened yet"
    EXPOSED = "exposed"
    DRY = "in dry storage"
    DRYING = "in a drying run"


@dataclass(frozen=True)
class Clock:
    """Exposure hours, hours in dry storage since the last exposure, hours of heat in dryers."""

    exposure_hours: float = 0.0
    dry_hours: float = 0.0
    heat_hours: float = 0.0


def after(clock: Clock, air: Exposure, hours: float) -> Clock:
    """The clock after some hours in one kind of air. Splitting the hours changes nothing."""
    exposure, dry, heat = clock.exposure_hours, clock.dry_hours, clock.heat_hours
    if air == Exposure.EXPOSED:
        exposure, dry = exposure + hours, 0.0
    elif air == Exposure.DRYING:
        heat += hours
    elif air == Exposure.DRY:
        dry += hours
        if exposure <= SHORT_EXPOSURE_H and dry >= UNDOING_FACTOR * exposure:
            exposure = 0.0
    return Clock(exposure, dry, heat)


def after_run(clock: Clock, credit: float) -> Clock:
    """The clock at the end of a drying run that is worth ``credit``, 0 to 1: 1 resets it."""
    return Clock(clock.exposure_hours * (1.0 - credit), clock.dry_hours, clock.heat_hours)


def run_credit(hours: float, set_point_c: float, needed_hours: float, needed_c: float) -> float:
    """What a completed drying run is worth: all of it at or above both needs, a share when too short.

    A run below the temperature needed is worth nothing.
    """
    if set_point_c < needed_c:
        return 0.0
    return min(1.0, hours / needed_hours)
