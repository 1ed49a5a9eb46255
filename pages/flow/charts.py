"""Flow curves and control charts as coordinates: numbers in, pixels out, no look of their own."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from math import ceil

from maintenance.flow.control_chart import START
from maintenance.flow.curve import EDGE, LIMITS, FlowCurve
from maintenance.flow.history import CheckSeries

WIDTH, HEIGHT = 400, 200
LEFT, RIGHT, TOP, BOTTOM = 40, 12, 10, 40
ABOVE, BELOW = -3, 13
TICKS, MOST_TICKS = 5, 6
STEPS = [1, 2, 5, 10, 20, 50, 100]
ROUND_STEPS = [f * 10**power for power in range(-2, 7) for f in (1, 2, 5)]


@dataclass(frozen=True)
class Drawing:
    """Coordinates in a box. y_ticks, x_ticks: (place, text); points: (x, y, marked).

    limits: (y, text, how far below the line its text stands). bars: (x, y, y). columns: (x, y, width, height, class
    of its colour).
    """

    y_ticks: list[tuple[float, str]]
    x_ticks: list[tuple[float, str]]
    line: str
    points: list[tuple[float, float, bool]]
    limits: list[tuple[float, str, int]]
    band: str = ""
    bars: list[tuple[float, float, float]] = field(default_factory=list)
    columns: list[tuple[float, float, float, float, str]] = field(default_factory=list)
    width: int = WIDTH
    height: int = HEIGHT
    left: int = LEFT
    right: int = WIDTH - RIGHT
    top: int = TOP
    bottom: int = HEIGHT - BOTTOM


def _scale(low: float, high: float, first: float, last: float) -> Callable[[float], float]:
    def to_pixels(value: float) -> float:
        return first + (last - first) * (value - low) / (high - low)

    return to_pixels


def round_step(span: float) -> float:
    """A round step of which no more than MOST_TICKS make the span."""
    return next((step for step in ROUND_STEPS if span <= MOST_TICKS * step), ROUND_STEPS[-1])


def _step(span: float) -> float:
    """A round step of which at most TICKS make the span."""
    return next((step for step in STEPS if span <= TICKS * step), STEPS[-1])


def _loss_axis(values_pct: Sequence[float]) -> tuple[Callable[[float], float], list[tuple[float, str]]]:
    """Places losses in %, with ticks from 0 or below."""
    step = _step(max(values_pct) - min(0.0, *values_pct))
    low, high = step * (min(0.0, *values_pct) // step), step * max(1, ceil(max(values_pct) / step))
    y = _scale(low, high, HEIGHT - BOTTOM, TOP)
    ticks = [low + step * n for n in range(round((high - low) / step) + 1)]
    return y, [(y(tick), f"{tick:g}") for tick in ticks]


def _path(points: Sequence[tuple[float, float]]) -> str:
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in points)


def draw_curve(curve: FlowCurve) -> Drawing:
    """Loss in % against flow: the fitted curve with its band, each rate with its own, the limits."""
    flows = [float(flow) for flow in curve.flows_mm3_s]
    fitted, low, high, losses, loss_u = (
        [float(100 * value) for value in values]
        for values in (
            curve.fitted,
            curve.fitted_low,
            curve.fitted_high,
            curve.losses,
            EDGE * curve.loss_u,
        )
    )
    bars = [(loss - u, loss + u) for loss, u in zip(losses, loss_u, strict=True)]
    limits_pct = [100 * limit for limit in LIMITS]
    y, y_ticks = _loss_axis([*high, *limits_pct, *(end for bar in bars for end in bar)])
    step = _step(flows[-1])
    x = _scale(0, step * ceil(flows[-1] / step), LEFT, WIDTH - RIGHT)
    upper = [(x(flow), y(loss)) for flow, loss in zip(flows, high, strict=True)]
    lower = [(x(flow), y(loss)) for flow, loss in zip(flows, low, strict=True)]
    return Drawing(
        y_ticks=y_ticks,
        x_ticks=[(x(step * n), f"{step * n:g}") for n in range(ceil(flows[-1] / step) + 1)],
        line=_path([(x(flow), y(loss)) for flow, loss in zip(flows, fitted, strict=True)]),
        points=[(x(flow), y(loss), False) for flow, loss in zip(flows, losses, strict=True)],
        limits=[(y(limit), f"{limit:g} %", ABOVE) for limit in limits_pct],
        band=_path([*upper, *reversed(lower)]),
        bars=[(x(flow), y(a), y(b)) for flow, (a, b) in zip(flows, bars, strict=True)],
    )


@dataclass(frozen=True)
class ChartRow:
    """A charted check as a row of the table; losses in %. ewma, cusum: None for the checks of the start."""

    at: datetime
    pk: int
    loss_pct: float
    ewma_pct: float | None
    cusum_pct: float | None
    signal: int


def list_chart_rows(series: CheckSeries) -> list[ChartRow]:
    """Every charted check, oldest first."""
    rows = []
    for n, (check, loss) in enumerate(zip(series.charted, series.losses, strict=True)):
        ewma = cusum = None
        signal = 0
        if series.chart is not None and n >= START:
            ewma = 100 * float(series.chart.ewma[n - START])
            cusum = 100 * float(series.chart.cusum_high[n - START])
            signal = int(series.chart.signal[n - START])
        rows.append(ChartRow(check.check.at, check.check.pk, 100 * loss, ewma, cusum, signal))
    return rows


def draw_charts(series: CheckSeries) -> list[tuple[str, Drawing]]:
    """EWMA and CUSUM of the loss, check by check, marked where they signal; none without a chart."""
    chart = series.chart
    if chart is None:
        return []
    numbers = range(START + 1, len(series.charted) + 1)
    x = _scale(1, len(series.charted), LEFT + 10, WIDTH - RIGHT - 10)
    x_ticks = [(x(n), str(n)) for n in range(1, len(series.charted) + 1, ceil(len(series.charted) / 12))]
    losses = [100 * loss for loss in series.losses]
    averages = [100 * float(value) for value in chart.ewma]
    low, high = 100 * chart.ewma_low, 100 * chart.ewma_high
    y, y_ticks = _loss_axis([*losses, *averages, low, high])
    marked = [bool(signal) for signal in chart.signal]
    in_order = enumerate([False] * START + marked, start=1)
    ewma = Drawing(
        y_ticks=y_ticks,
        x_ticks=x_ticks,
        line=_path([(x(n), y(value)) for n, value in zip(numbers, averages, strict=True)]),
        points=[(x(n), y(losses[n - 1]), mark) for n, mark in in_order],
        limits=[(y(high), "limit", ABOVE), (y(low), "limit", BELOW)],
    )
    sums = [100 * float(value) for value in chart.cusum_high]
    decision = 100 * chart.decision
    y, y_ticks = _loss_axis([*sums, decision])
    cusum = Drawing(
        y_ticks=y_ticks,
        x_ticks=x_ticks,
        line=_path([(x(n), y(value)) for n, value in zip(numbers, sums, strict=True)]),
        points=[(x(n), y(value), value > decision) for n, value in zip(numbers, sums, strict=True)],
        limits=[(y(decision), "limit", ABOVE)],
    )
    return [
        ("Moving average (EWMA) of the loss, %; dots are single checks, a diamond signals", ewma),
        ("Summed excess over the first checks (CUSUM), %; a diamond signals", cusum),
    ]
