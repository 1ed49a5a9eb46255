"""Mass by month as columns, one part on the other."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from django.utils.dateformat import format as format_date
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from maintenance.costs.usage import Usage
from pages.charts.chart import Chart, Frame, Series, draw_chart

# Groups with a part of their own in each column; the others share one.
MOST_PARTS = 5
KG = 1000.0


@dataclass(frozen=True)
class Part:
    """A part of each column. kind: by which it is drawn. mass_g: by month, as "2026-03"."""

    name: str
    kind: str
    mass_g: Mapping[str, float]


def split_groups(by: str, groups: Sequence[Usage]) -> list[Part]:
    """The parts of the columns: finished prints and others by month, else the groups, those of the most grams first."""
    if by == "month":
        good = {group.name: group.mass_g - group.failed_g for group in groups}
        failed = {group.name: group.failed_g for group in groups}
        return [
            Part(_("finished"), "column-good", good),
            Part(_("failed or stopped"), "column-failed", failed),
        ]
    ordered = sorted(groups, key=lambda group: (-group.mass_g, group.name))
    parts = [
        Part(group.name or _("none stated"), f"column-{number}", group.month_g)
        for number, group in enumerate(ordered[:MOST_PARTS])
    ]
    if others := ordered[MOST_PARTS:]:
        months = {month for group in others for month in group.month_g}
        mass_g = {month: sum(group.month_g.get(month, 0.0) for group in others) for month in months}
        name = ngettext("{count} other", "{count} others", len(others)).format(count=len(others))
        parts.append(Part(name, "column-others", mass_g))
    return parts


def draw_months(parts: Sequence[Part], since: date, until: date) -> Chart:
    """A column for each month from the first with prints to the end of the span. parts: at least one, not all empty."""
    first = max(since, min(date.fromisoformat(f"{month}-01") for part in parts for month in part.mass_g))
    numbers = range(first.year * 12 + first.month - 1, until.year * 12 + until.month)
    months = [date(number // 12, number % 12 + 1, 1) for number in numbers]
    masses_g = [[part.mass_g.get(f"{month:%Y-%m}", 0.0) for month in months] for part in parts]
    most_g = max(sum(of_month) for of_month in zip(*masses_g, strict=True))
    title, unit_g = (
        (_("Printed in each month, kg"), KG) if most_g >= KG else (_("Printed in each month, g"), 1.0)
    )
    series = [
        Series(
            part.name,
            part.kind,
            [(float(n), mass_g / unit_g) for n, mass_g in enumerate(row_g) if mass_g > 0],
            in_columns=True,
        )
        for part, row_g in zip(parts, masses_g, strict=True)
    ]
    names = [format_date(month, "M y") for month in months]
    return draw_chart(Frame(title, along=_("Month"), names=names), series)
