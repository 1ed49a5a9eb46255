"""Mass by month as columns, failures on top: numbers in, coordinates out, no look of their own."""

from collections.abc import Mapping
from datetime import date
from math import ceil

from maintenance.costs.usage import Usage
from pages.flow.charts import BOTTOM, HEIGHT, LEFT, RIGHT, TOP, WIDTH, Drawing, round_step

# Of a month's width, beside its column.
GAP = 0.25
MOST_LABELS = 6
KG = 1000.0


def draw_months(usage: Mapping[str, Usage], since: date, until: date) -> tuple[Drawing, str]:
    """A column for each month from the first with prints to the end of the span, and the unit of its axis.

    usage: by month, as "2026-03"; not empty. A failed or stopped print stands on top of the good ones.
    """
    first = max(since, min(date.fromisoformat(f"{month}-01") for month in usage))
    numbers = range(first.year * 12 + first.month - 1, until.year * 12 + until.month)
    months = [date(number // 12, number % 12 + 1, 1) for number in numbers]
    most_g = max(group.mass_g for group in usage.values())
    unit, unit_g = ("kg", KG) if most_g >= KG else ("g", 1.0)
    step_g = unit_g * round_step(most_g / unit_g)
    ticks = max(1, ceil(most_g / step_g))
    slot, every = (WIDTH - LEFT - RIGHT) / len(months), ceil(len(months) / MOST_LABELS)

    def y(mass_g: float) -> float:
        return HEIGHT - BOTTOM - (HEIGHT - TOP - BOTTOM) * mass_g / (ticks * step_g)

    columns = []
    for number, month in enumerate(months):
        group = usage.get(f"{month:%Y-%m}", Usage(""))
        x, good_y, top_y = LEFT + slot * (number + GAP / 2), y(group.mass_g - group.failed_g), y(group.mass_g)
        width = slot * (1 - GAP)
        columns += [(x, good_y, width, y(0.0) - good_y, False), (x, top_y, width, good_y - top_y, True)]
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
    return drawing, unit
