"""Mass by month as columns, one part on the other: numbers in, coordinates out, no look of their own."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from math import ceil

from maintenance.costs.usage import Usage
from pages.flow.charts import BOTTOM, HEIGHT, LEFT, RIGHT, TOP, WIDTH, Drawing, round_step

# Of a month's width, beside its column.
GAP = 0.25
MOST_LABELS = 6
# Groups with a part of their own in each column; the others share one.
MOST_PARTS = 5
KG = 1000.0


@dataclass(frozen=True)
class Part:
    """A part of each column. look: the class of its colour. mass_g: by month, as "2026-03"."""

    name: str
    look: str
    mass_g: Mapping[str, float]


@dataclass(frozen=True)
class MonthsChart:
    """unit: of the axis. parts: from the bottom up. rows: each month with the grams of each part."""

    drawing: Drawing
    unit: str
    parts: Sequence[Part]
    rows: Sequence[tuple[date, Sequence[float]]]


def split_groups(by: str, groups: Sequence[Usage]) -> list[Part]:
    """The parts of the columns: finished prints and others by month, else the groups, those of the most grams first."""
    if by == "month":
        good = {group.name: group.mass_g - group.failed_g for group in groups}
        failed = {group.name: group.failed_g for group in groups}
        return [Part("finished", "usage-good", good), Part("failed or stopped", "usage-failed", failed)]
    ordered = sorted(groups, key=lambda group: (-group.mass_g, group.name))
    parts = [
        Part(group.name or "none stated", f"usage-{number}", group.month_g)
        for number, group in enumerate(ordered[:MOST_PARTS])
    ]
    if others := ordered[MOST_PARTS:]:
        months = {month for group in others for month in group.month_g}
        mass_g = {month: sum(group.month_g.get(month, 0.0) for group in others) for month in months}
        parts.append(Part(f"{len(others)} others", "usage-others", mass_g))
    return parts


def draw_months(parts: Sequence[Part], since: date, until: date) -> MonthsChart:
    """A column for each month from the first with prints to the end of the span. parts: at least one, not all empty."""
    first = max(since, min(date.fromisoformat(f"{month}-01") for part in parts for month in part.mass_g))
    numbers = range(first.year * 12 + first.month - 1, until.year * 12 + until.month)
    months = [date(number // 12, number % 12 + 1, 1) for number in numbers]
    rows = [(month, [part.mass_g.get(f"{month:%Y-%m}", 0.0) for part in parts]) for month in months]
    most_g = max(sum(masses_g) for _, masses_g in rows)
    unit, unit_g = ("kg", KG) if most_g >= KG else ("g", 1.0)
    step_g = unit_g * round_step(most_g / unit_g)
    ticks = max(1, ceil(most_g / step_g))
    slot, every = (WIDTH - LEFT - RIGHT) / len(months), ceil(len(months) / MOST_LABELS)

    def y(mass_g: float) -> float:
        return HEIGHT - BOTTOM - (HEIGHT - TOP - BOTTOM) * mass_g / (ticks * step_g)

    columns = []
    for number, (_, masses_g) in enumerate(rows):
        below_g = 0.0
        for part, mass_g in zip(parts, masses_g, strict=True):
            top = y(below_g + mass_g)
            columns.append(
                (LEFT + slot * (number + GAP / 2), top, slot * (1 - GAP), y(below_g) - top, part.look)
            )
            below_g += mass_g
    drawing = Drawing(
        y_ticks=[(y(n * step_g), f"{n * step_g / unit_g:g}") for n in range(ticks + 1)],
        x_ticks=[
            (LEFT + slot * (n + 0.5), f"{month:%b %y}") for n, month in enumerate(months) if n % every == 0
        ],
        line="",
        points=[],
        limits=[],
        columns=columns,
    )
    return MonthsChart(drawing, unit, parts, rows)
