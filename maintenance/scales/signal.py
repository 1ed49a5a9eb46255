"""The signal of a scale that carries a spool: its noise, its steady levels, its jumps and its drift. Pure.

Amounts of minutes and bands: common practice, no source. Checked with a simulated scale in tests/maintenance/scales/.
"""

from collections.abc import Sequence
from datetime import datetime, timedelta
from itertools import pairwise
from statistics import fmean, median
from typing import NamedTuple

MINUTE = timedelta(minutes=1)
# A level is the mean of so many minutes, at least of so many, and of so many values.
LEVEL_MINUTES, LEAST_MINUTES, LEVEL_VALUES = 10, 3, 5
# The noise band in standard deviations; a standard deviation is 1.4826 median deviations of a normal spread.
BAND_SD, SD_OF_MAD = 4.0, 1.4826
# Levels for the drift: one from so many minutes.
DRIFT_EVERY = 30
# A level that has jumped is steady again after so many minutes.
SETTLED_MINUTES = 3


class Minute(NamedTuple):
    """The values of a minute [g], and its start."""

    at: datetime
    values: Sequence[float]

    @property
    def level_g(self) -> float:
        """Their median: a knock of some seconds does not move it."""
        return median(self.values)


class Level(NamedTuple):
    """A steady mass, from the first of its minutes to the end of its last."""

    start: datetime
    end: datetime
    mass_g: float


class Jump(NamedTuple):
    """A lasting change that neither printing nor drift explains."""

    at: datetime
    change_g: float


def find_noise_band(minutes: Sequence[Minute], step_g: float) -> float:
    """Half the width of the band in which values are the same [g]: from the recent scatter, the scale's step at least."""
    changes = [abs(b - a) for minute in minutes for a, b in pairwise(minute.values)]
    if not changes:
        changes = [abs(b.level_g - a.level_g) for a, b in pairwise(minutes)]
    # A change between two values scatters by the root of 2 more than a value.
    scatter_g = SD_OF_MAD * median(changes) / 2**0.5 if changes else 0.0
    return max(step_g, BAND_SD * scatter_g)


def find_level(minutes: Sequence[Minute], step_g: float, *, newest: bool = False) -> Level | None:
    """The first steady level among minutes in the order of time, or the last one; None where none is steady."""
    ordered = list(reversed(minutes)) if newest else list(minutes)
    band_g = find_noise_band(minutes, step_g)
    for first in range(len(ordered)):
        for count in range(LEVEL_MINUTES, LEAST_MINUTES - 1, -1):
            run = ordered[first : first + count]
            if len(run) == count and _is_steady(run, band_g):
                times = sorted(minute.at for minute in run)
                return Level(times[0], times[-1] + MINUTE, _mean_within(run, band_g))
    return None


def _is_steady(run: Sequence[Minute], band_g: float) -> bool:
    levels, half = [minute.level_g for minute in run], len(run) // 2
    return (
        sum(len(minute.values) for minute in run) >= LEVEL_VALUES
        and all(abs(b.at - a.at) <= LEVEL_MINUTES * MINUTE for a, b in pairwise(run))
        and max(levels) - min(levels) <= 2 * band_g
        # Slow printing stays within the band, and yet its halves differ.
        and abs(_mean_within(run[:half], band_g) - _mean_within(run[-half:], band_g)) <= band_g / 2
    )


def _mean_within(run: Sequence[Minute], band_g: float) -> float:
    """The mean of the values without those of a knock."""
    middle = median(minute.level_g for minute in run)
    return fmean([g for minute in run for g in minute.values if abs(g - middle) <= 2 * band_g] or [middle])


class Allowed(NamedTuple):
    """Changes that are no jump: noise and drift at all times, and what a print takes from its start on."""

    band_g: float
    drift_g_h: float
    printing_since: datetime
    printing_band_g: float
    flow_g_min: float

    def includes(self, before: Minute, after: Minute) -> bool:
        """Whether they explain the change from one minute to another."""
        span_min = (after.at - before.at) / MINUTE
        printed_min = max(0.0, (after.at + MINUTE - max(before.at, self.printing_since)) / MINUTE)
        prints = after.at >= self.printing_since - MINUTE
        slack_g = (self.printing_band_g if prints else self.band_g) + self.drift_g_h * span_min / 60
        taken_g = self.flow_g_min * printed_min if prints else 0.0
        return -slack_g - taken_g <= after.level_g - before.level_g <= slack_g


def find_jumps(minutes: Sequence[Minute], allowed: Allowed) -> list[Jump]:
    """Lasting changes beyond noise, drift and printing. A spool that was lifted and put back is none."""
    jumps: list[tuple[Minute, Minute]] = []
    last: Minute | None = None
    since: list[Minute] = []
    for minute in minutes:
        if last is None or allowed.includes(last, minute):
            last, since = minute, []
            continue
        since.append(minute)
        settling = since[-SETTLED_MINUTES:]
        if len(settling) < SETTLED_MINUTES or not all(allowed.includes(a, b) for a, b in pairwise(settling)):
            continue
        jumps.append((last, minute))
        if len(jumps) > 1 and allowed.includes(jumps[-2][0], minute):
            del jumps[-2:]
        last, since = minute, []
    return [Jump(after.at, after.level_g - before.level_g) for before, after in jumps]


def measure_drift(minutes: Sequence[Minute], step_g: float) -> float | None:
    """How fast the mass changes while nothing prints [g/h], without its sign; None for less than an hour.

    The range of its levels over their span, of half a day at most: warmth comes and goes with the day.
    """
    levels: list[Level] = []
    for n in range(0, len(minutes) - LEVEL_MINUTES + 1, DRIFT_EVERY):
        if (level := find_level(minutes[n : n + LEVEL_MINUTES], step_g)) is not None:
            levels.append(level)
    if not levels or levels[-1].start - levels[0].start < timedelta(hours=1):
        return None
    masses = [level.mass_g for level in levels]
    span_h = (levels[-1].start - levels[0].start) / timedelta(hours=1)
    return (max(masses) - min(masses)) / min(span_h, 12.0)
