"""The week by dryer as coordinates: numbers in, pixels out, no look of their own."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.utils import timezone

WIDTH, LEFT, RIGHT, TOP = 400, 8, 8, 6
# Of a dryer's name, of a spool in it, and below the last one; for texts of 16, so that a phone shows 12.
HEADING, ROW, BOTTOM = 22, 24, 22
SHORTEST_SPAN = timedelta(hours=24)
LABEL_PX, DAY_PX = 24, 58


@dataclass(frozen=True)
class Stretch:
    """A spool in a dryer: from, to, what it is called in the drawing, and whether it goes on already."""

    start: datetime
    end: datetime
    label: str
    is_running: bool


@dataclass(frozen=True)
class Bar:
    """A rectangle with its label in the middle, or beside it where it is too short."""

    x: float
    y: float
    width: float
    label: str
    label_x: float
    is_label_inside: bool
    is_running: bool
    height: int = ROW - 4

    @property
    def label_y(self) -> float:
        return self.y + self.height / 2


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


def draw_week(dryers: Sequence[tuple[str, Sequence[Stretch]]], now: datetime) -> WeekDrawing:
    """Each dryer with what is in it from now on; spools that are in it together lie below each other."""
    ends = [stretch.end for _, stretches in dryers for stretch in stretches]
    until = max([now + SHORTEST_SPAN, *ends])

    def x(at: datetime) -> float:
        return LEFT + (WIDTH - LEFT - RIGHT) * (max(at, now) - now) / (until - now)

    lanes = []
    y = float(TOP)
    for name, stretches in dryers:
        rows: list[float] = []
        bars = []
        for stretch in sorted(stretches, key=lambda stretch: stretch.start):
            begin = x(stretch.start)
            end = max(begin + 2.0, x(stretch.end))
            left, right = begin, end
            label_x = (begin + end) / 2
            # A label beside it has to have room, too: where a bar is in the way it lies in a row of its own.
            if stretch.label and end - begin < LABEL_PX:
                if end + LABEL_PX <= WIDTH:
                    right, label_x = end + LABEL_PX, end + LABEL_PX / 2
                else:
                    left, label_x = begin - LABEL_PX, begin - LABEL_PX / 2
            row = next((n for n, free in enumerate(rows) if free <= left + 0.01), len(rows))
            rows[row : row + 1] = [right]
            top, inside = y + HEADING + ROW * row, begin < label_x < end
            bars.append(Bar(begin, top, end - begin, stretch.label, label_x, inside, stretch.is_running))
        lanes.append((y + HEADING - 5, name, bars))
        y += HEADING + ROW * max(1, len(rows))
    midnight = timezone.localtime(now).replace(hour=0, minute=0, second=0, microsecond=0)
    days = (until - now).days + 1
    step = 1 if days <= 5 else 2
    midnights = [midnight + timedelta(days=n) for n in range(1, days + 1, step)]
    # A day is named behind its midnight, where there is room for that.
    ticks = [(x(at), at) for at in midnights if at < until and x(at) + DAY_PX <= WIDTH]
    return WeekDrawing(lanes, ticks, y + BOTTOM)
