"""The moisture of spools that dry: so far, and to the time when they are ready."""

from collections.abc import Mapping, Sequence
from datetime import datetime

from pages.charts.chart import COMPUTED, FORECAST, NOW, Chart, Frame, Limit, Mark, draw_chart
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
        "Moisture of the outer turns, %",
        run.start,
        max(ready_at, now),
        limits=[Limit(run.target_pct, "target")],
        marks=[Mark(now, NOW)],
        from_zero=True,
        height=120,
    )
    series = [as_series("computed", COMPUTED, [*so_far, here])]
    if ahead:
        series.append(as_series("forecast", FORECAST, [here, *ahead]))
    return draw_chart(frame, series)
