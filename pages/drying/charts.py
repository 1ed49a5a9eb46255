"""The moisture of spools that dry or are advised to: so far, to the time when they are ready, and after it."""

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta

from django.utils.translation import gettext as _

from pages.charts.chart import COMPUTED, FORECAST, NOW, Chart, Frame, Limit, Mark, Span, draw_chart
from pages.spools.course import as_series, list_dried
from spools.models import DryingRun, MoisturePoint, SpoolBoard
from spools.physics_inputs import Interval


def draw_runs(runs: Sequence[DryingRun], rows: Mapping[int, SpoolBoard], now: datetime) -> dict[int, Chart]:
    """The course of each run that has a row of the board, by spool id. One query."""
    points = MoisturePoint.objects.filter(spool__in=[run.spool_id for run in runs])
    past: dict[int, list[MoisturePoint]] = {}
    for point in points:
        past.setdefault(point.spool_id, []).append(point)
    return {
        run.spool_id: _draw_run(run, past.get(run.spool_id, []), rows[run.spool_id], now)
        for run in runs
        if run.spool_id in rows
    }


def _draw_run(run: DryingRun, past: Sequence[MoisturePoint], row: SpoolBoard, now: datetime) -> Chart:
    so_far = [
        (point.at, Interval(point.p10_pct, point.p50_pct, point.p90_pct))
        for point in past
        if run.start <= point.at < row.computed_at
    ]
    here = (row.computed_at, Interval(row.p10_pct, row.p50_pct, row.p90_pct))
    ready_at = row.ready_at or max(now, run.planned_end)
    ahead = [(at, band) for at, band in list_dried(row) if row.computed_at < at <= ready_at]
    frame = Frame(
        _("Moisture of the outer turns, %"),
        run.start,
        max(ready_at, now),
        limits=[Limit(run.target_pct, _("target"))],
        marks=[Mark(now, NOW)],
        from_zero=True,
        height=120,
    )
    series = [as_series(_("computed"), COMPUTED, [*so_far, here])]
    if ahead:
        series.append(as_series(_("forecast"), FORECAST, [here, *ahead]))
    return draw_chart(frame, series)


# Beside an advised drying: what was before, and what comes after it.
AROUND = timedelta(hours=24)


def draw_advised(row: SpoolBoard, dryer_id: int, now: datetime) -> Chart | None:
    """The course of the drying that is advised, where it is one in that dryer. One query."""
    drying, course = row.advice.values.get("drying"), list_dried(row)
    if not drying or drying["dryer_id"] != dryer_id or not drying["ready_at"] or not course:
        return None
    start, ready_at = (datetime.fromisoformat(drying[name]) for name in ("starts_at", "ready_at"))
    past = MoisturePoint.objects.filter(spool=row.spool_id, at__gte=now - AROUND, at__lt=row.computed_at)
    here = (row.computed_at, Interval(row.p10_pct, row.p50_pct, row.p90_pct))
    so_far = [(point.at, Interval(point.p10_pct, point.p50_pct, point.p90_pct)) for point in past]
    ahead = [(at, band) for at, band in course if row.computed_at < at <= ready_at + AROUND]
    frame = Frame(
        _("Moisture of the outer turns, %"),
        min([now - AROUND / 4, *(at for at, _band in so_far)]),
        ready_at + AROUND,
        limits=[Limit(row.advice.values["target_pct"], _("target"))],
        marks=[Mark(now, NOW)],
        spans=[Span(start, ready_at, _("drying"))],
        from_zero=True,
        height=130,
    )
    series = [
        as_series(_("computed"), COMPUTED, [*so_far, here]),
        as_series(_("forecast"), FORECAST, [here, *ahead]),
    ]
    return draw_chart(frame, series)
