"""The week by dryer as coordinates: numbers in, pixels out, no look of their own."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.utils import timezone

WIDTH, LEFT, RIGHT, TOP = 400, 8, 8, 6
# Of a dryer's name, of a spool in it, and below the last one.
HEADING, ROW, BOTTOM = 18, 20, 20
LEAST = timedelta(hours=24)
LABEL_PX, DAY_PX = 16, 40


@dataclass(frozen=True)
class Stretch:
    """A spool in a dryer: from, to, what it is called in the drawing, and whether it goes on already."""

    start: datetime
    end: datetime
    label: str
    runs: bool


@dataclass(frozen=True)
class Bar:
    """A rectangle with its label beside its left end, or before it where there is no room behind."""

    x: float
    y: float
    width: float
    label: str
    label_x: float
    anchor: str
    runs: bool
    height: int = ROW - 6


@dataclass(frozen=True)
class WeekDrawing:
    """lanes: (y of the name, name, bars). ticks: (x, day)."""

    lanes: list[tuple[float, str, list[Bar]]]
    ticks: list[tuple[float, datetime]]
    height: float
    width: int = WIDTH
    left: int = LEFT
    right: int = WIDTH - RIGHT
    top: int = TOP

    @property
    def bottom(self) -> float:
        return self.height - BOTTOM


def week_drawing(dryers: Sequence[tuple[str, Sequence[Stretch]]], now: datetime) -> WeekDrawing:
    """Each dryer with what is in it from now on; spools that are in it together lie below each other."""
    ends = [one.end for _, stretches in dryers for one in stretches]
    until = max([now + LEAST, *ends])

    def x(at: datetime) -> float:
        return LEFT + (WIDTH - LEFT - RIGHT) * (max(at, now) - now) / (until - now)

    lanes = []
    y = float(TOP)
    for name, stretches in dryers:
        rows: list[datetime] = []
        bars = []
        for one in sorted(stretches, key=lambda each: each.start):
            row = next((n for n, free in enumerate(rows) if free <= one.start), len(rows))
            rows[row : row + 1] = [one.end]
            bars.append(_bar(one, x(one.start), x(one.end), y + HEADING + ROW * row))
        lanes.append((y + HEADING - 5, name, bars))
        y += HEADING + ROW * max(1, len(rows))
    midnight = timezone.localtime(now).replace(hour=0, minute=0, second=0, microsecond=0)
    days = (until - now).days + 1
    step = 1 if days <= 5 else 2
    midnights = [midnight + timedelta(days=n) for n in range(1, days + 1, step)]
    # A day is named behind its midnight, where there is room for that.
    ticks = [(x(at), at) for at in midnights if at < until and x(at) + DAY_PX <= WIDTH]
    return WeekDrawing(lanes, ticks, y + BOTTOM)


def _bar(one: Stretch, begin: float, end: float, y: float) -> Bar:
    behind = end + 4 + LABEL_PX <= WIDTH
    label_x, anchor = (end + 4, "start") if behind else (begin - 4, "end")
    return Bar(begin, y, max(2.0, end - begin), one.label, label_x, anchor, one.runs)
