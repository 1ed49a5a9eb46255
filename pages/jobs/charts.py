"""The flow of a job over its time: coordinates of the picture and the rows of its table."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from maintenance.gcode import JobFacts
from pages.flow.charts import ABOVE, BOTTOM, HEIGHT, LEFT, RIGHT, TOP, WIDTH, Drawing, round_step

HOUR_S, MINUTE_S = 3600, 60
ROWS = 12


@dataclass(frozen=True)
class FlowRow:
    """A stretch of the job's time in its unit, with the mean flow and the highest of its bins, mm³/s."""

    begins: float
    ends: float
    mean_mm3_s: float
    most_mm3_s: float


def time_unit(facts: JobFacts) -> tuple[str, float]:
    """Hours for long jobs, minutes for short ones; with their seconds."""
    return ("h", HOUR_S) if facts.seconds >= 2 * HOUR_S else ("min", MINUTE_S)


def flow_drawing(facts: JobFacts, limits: Sequence[tuple[float, str]] = ()) -> Drawing | None:
    """A line in steps, one for each bin; None where nothing flows.

    limits: flows in mm³/s and what they are.
    """
    flows = facts.flow_mm3_s
    if not any(flows):
        return None
    _, unit_s = time_unit(facts)
    x_ends = len(flows) * facts.flow_bin_s / unit_s
    y_ends = max(*flows, *(flow for flow, _ in limits))
    x_step, y_step = round_step(x_ends), round_step(y_ends)
    y_top = y_step * -(-y_ends // y_step)

    def x(time: float) -> float:
        return LEFT + (WIDTH - LEFT - RIGHT) * time / x_ends

    def y(flow: float) -> float:
        return HEIGHT - BOTTOM - (HEIGHT - TOP - BOTTOM) * flow / y_top

    edges = [n * facts.flow_bin_s / unit_s for n in range(len(flows) + 1)]
    corners = [(x(at), y(flow)) for ends, flow in zip(pairwise(edges), flows, strict=True) for at in ends]
    return Drawing(
        y_ticks=[(y(n * y_step), f"{n * y_step:g}") for n in range(round(y_top / y_step) + 1)],
        x_ticks=[(x(n * x_step), f"{n * x_step:g}") for n in range(int(x_ends / x_step) + 1)],
        line=" ".join(f"{across:.1f},{down:.1f}" for across, down in corners),
        points=[],
        limits=[(y(flow), text, ABOVE) for flow, text in limits],
    )


def flow_rows(facts: JobFacts) -> list[FlowRow]:
    """The same in a few rows."""
    flows = facts.flow_mm3_s
    _, unit_s = time_unit(facts)
    bounds = sorted({round(n * len(flows) / ROWS) for n in range(ROWS + 1)})
    return [
        FlowRow(
            first * facts.flow_bin_s / unit_s,
            min(end * facts.flow_bin_s, facts.seconds) / unit_s,
            _mean(flows[first:end]),
            max(flows[first:end]),
        )
        for first, end in pairwise(bounds)
    ]


def _mean(values: Sequence[float]) -> float:
    return sum(values) / len(values)
