"""Line charts that the server draws as SVG: numbers in, coordinates out, no look of their own."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise

from django.utils import timezone

WIDTH, HEIGHT = 400, 180
LEFT, RIGHT, TOP, BOTTOM = 36, 8, 10, 26


@dataclass(frozen=True)
class Chart:
    """lines: the "points" of polylines; y_ticks: (y, number); x_ticks: (x, time). In pixels of the box."""

    lines: list[str]
    y_ticks: list[tuple[float, float]]
    x_ticks: list[tuple[float, datetime]]
    width: int = WIDTH
    height: int = HEIGHT
    left: int = LEFT
    right: int = WIDTH - RIGHT
    bottom: int = HEIGHT - BOTTOM


def draw_line_chart(
    rows: Sequence[tuple[datetime, float]], since: datetime, until: datetime, gap: timedelta
) -> Chart:
    """A line through (time, number) rows in their order, broken where two are further apart than ``gap``."""
    numbers = [value for _, value in rows]
    step = next(size for size in (1, 2, 5, 10, 20, 50) if max(numbers) - min(numbers) <= 4 * size)
    low = step * (min(numbers) // step)
    high = max(low + step, step * -(-max(numbers) // step))

    def x(at: datetime) -> float:
        return LEFT + (WIDTH - LEFT - RIGHT) * ((at - since) / (until - since))

    def y(value: float) -> float:
        return TOP + (HEIGHT - TOP - BOTTOM) * ((high - value) / (high - low))

    pieces: list[list[tuple[datetime, float]]] = [[rows[0]]]
    for before, after in pairwise(rows):
        if after[0] - before[0] > gap:
            pieces.append([])
        pieces[-1].append(after)
    ticks = round((high - low) / step)
    return Chart(
        lines=[" ".join(f"{x(at):.1f},{y(value):.1f}" for at, value in piece) for piece in pieces],
        y_ticks=[(y(low + n * step), low + n * step) for n in range(ticks + 1)],
        x_ticks=[(x(at), at) for at in _midnights(since, until)],
    )


def _midnights(since: datetime, until: datetime) -> list[datetime]:
    """Every second midnight of the shop's zone that lies between."""
    first = timezone.localtime(since).replace(hour=0, minute=0, second=0, microsecond=0)
    days = (first + timedelta(days=n) for n in range(1, (until - since).days + 2, 2))
    return [day for day in days if since < day < until]
