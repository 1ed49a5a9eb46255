"""A small line without axes for a row of a list, drawn as the lines of charts are; its text names its range."""

from collections.abc import Sequence
from dataclasses import dataclass

from pages.charts.axes import Along, Axis
from pages.charts.chart import BOX_WIDTH, Series, trace_line

HEIGHT = 36
# Room for half a stroke above and below, in pixels.
MARGIN = 2


@dataclass(frozen=True)
class Sparkline:
    """kind: of the stroke. path: in a box of width × height. limit: y of a line across, in pixels; title: its text."""

    title: str
    kind: str
    path: str
    limit: float | None
    width: int = BOX_WIDTH
    height: int = HEIGHT


def draw_sparkline(
    title: str,
    series: Series,
    between: tuple[Along, Along],
    *,
    limit: float | None = None,
    least: float = 0.0,
) -> Sparkline | None:
    """A line of at least two points; None with fewer.

    between: the ends of the axis. least: the height stands for at least so much, so that a calm line looks calm.
    """
    if len(series.points) < 2:
        return None
    low, high = range_of(series.points if limit is None else [*series.points, (between[0], limit)])
    span, middle = max(high - low, least, 1e-9), (low + high) / 2

    def y(value: float) -> float:
        return round(HEIGHT / 2 - (HEIGHT - 2 * MARGIN) * (value - middle) / span, 1)

    path = trace_line(series, Axis(*between), y)
    return Sparkline(title, series.kind, path, None if limit is None else y(limit))


def range_of(points: Sequence[tuple[Along, float]]) -> tuple[float, float]:
    """The lowest and the highest value."""
    values = [value for _, value in points]
    return min(values), max(values)
