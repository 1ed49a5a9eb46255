"""The moisture of a spool's outer turns over time: past, and ahead if it stays where it lies, or after its drying."""

from collections.abc import Sequence
from datetime import datetime, timedelta

import numpy as np
from django.db.models import BigIntegerField, DateTimeField, QuerySet
from django.utils.translation import gettext as _

from background.prepared import Parameter, PreparedRows
from pages.charts.chart import (
    COMPUTED,
    FORECAST,
    NOW,
    OTHER_FORECAST,
    Chart,
    Frame,
    Limit,
    Mark,
    Series,
    Span,
    draw_chart,
)
from spools.air.enclosures import count_openings
from spools.air.hygrometer import computed_errors
from spools.catalogue.values import MaterialValues, material_values
from spools.models import MassEntry, MoisturePoint, SpoolBoard
from spools.moisture.history import Segment
from spools.moisture.state import Moisture
from spools.physics_inputs import SMALL_JOB_G, ConstantAir, Interval, forecast_through, forecast_wetting
from spools.wording import format_mass

PAST, AHEAD = timedelta(days=8), timedelta(days=7)
# Of the plot, in pixels.
HEIGHT = 160
# Hours at which the moisture ahead is computed.
AHEAD_H = (3, 6, 12, 18, 24, 36, 48, 72, 96, 120, 144, 168)


def _select_past() -> QuerySet[MoisturePoint]:
    since, now = Parameter("since", DateTimeField()), Parameter("now", DateTimeField())
    return MoisturePoint.objects.filter(
        spool=Parameter("spool", BigIntegerField()), at__gte=since, at__lt=now
    )


_PAST = PreparedRows(_select_past)


def draw_course(moisture: Moisture, segment: Segment | None, row: SpoolBoard) -> Chart:
    """segment: the surroundings that the forecast goes on with; None for no forecast of them."""
    now, values = moisture.at, material_values(moisture.history.spool.feedstock)
    since = max(now - PAST, min(moisture.history.spool.received_at, now - timedelta(days=1)))
    past = [
        (point.at, Interval(point.p10_pct, point.p50_pct, point.p90_pct))
        for point in _PAST.run(spool=row.spool_id, since=since, now=now)
    ]
    here = (now, moisture.outer_pct(SMALL_JOB_G))
    series = [as_series(_("computed"), COMPUTED, [*past, here])]
    if segment is not None:
        ahead = [(now + timedelta(hours=h), band) for h, band in _forecast(moisture, segment, values)]
        series.append(as_series(_("forecast here"), FORECAST, [here, *ahead]))
    dried = [(at, band) for at, band in list_dried(row) if at <= now + AHEAD]
    if dried:
        series.append(as_series(_("drying and after it"), OTHER_FORECAST, dried))
    frame = Frame(
        _("Moisture of the next {mass}, %").format(mass=format_mass(SMALL_JOB_G)),
        since,
        now + AHEAD,
        limits=[
            Limit(values.limit_clear_pct, _("prints well up to")),
            Limit(values.limit_hold_pct, _("print limit")),
        ],
        marks=[Mark(now, NOW), *_list_weighings(moisture)],
        spans=_list_dryings(moisture, row),
        from_zero=True,
        height=HEIGHT,
    )
    return draw_chart(frame, series)


def list_dried(row: SpoolBoard) -> list[tuple[datetime, Interval]]:
    """The moisture through the drying that is advised or goes on, and after it; empty where there is none."""
    course = row.advice.values.get("course", [])
    return [(datetime.fromisoformat(at), Interval(*band)) for at, *band in course]


def as_series(name: str, kind: str, points: Sequence[tuple[datetime, Interval]]) -> Series:
    return Series(
        name,
        kind,
        [(at, band.p50) for at, band in points],
        [(band.p10, band.p90) for _, band in points],
    )


def _forecast(moisture: Moisture, segment: Segment, values: MaterialValues) -> list[tuple[float, Interval]]:
    """Hours, and the outer turns then, if the spool stays in its place and the air of the room as it is."""
    winding, history, place = moisture.winding, moisture.history, segment.place
    limits_pct = (values.limit_clear_pct, values.limit_hold_pct)
    if history.is_enclosed(segment, moisture.at):
        openings_day = count_openings([place.pk], moisture.at)[place.pk]
        water_pct = float(np.median(winding.mean_pct()))
        pieces = history.enclosed_air(segment, moisture.at, water_pct, openings_day)
        airs = [ConstantAir(*piece, place.moved_air, errors=computed_errors(place)) for piece in pieces]
        contents = forecast_through(winding, airs, SMALL_JOB_G, limits_pct, AHEAD_H, 1 + len(AHEAD_H))
    else:
        airs = [segment.constant_air()]
        (contents,) = forecast_wetting(winding, airs, SMALL_JOB_G, limits_pct, AHEAD_H, [1 + len(AHEAD_H)])
    return list(zip(AHEAD_H, Interval.from_rows(contents)[1:], strict=False))


def _list_weighings(moisture: Moisture) -> list[Mark]:
    return [
        Mark(entry.at, _("weighed"), _("weighed {mass}").format(mass=format_mass(entry.gross_g or 0)))
        for entry in moisture.history.entries
        if entry.kind == MassEntry.Kind.WEIGHED and entry.gross_g is not None
    ]


def _list_dryings(moisture: Moisture, row: SpoolBoard) -> list[Span]:
    """A run that goes on is drawn to the time when the spool is ready."""
    goes_on_until = max(moisture.at, row.ready_at or moisture.at)
    return [Span(run.start, run.end or goes_on_until, _("drying run")) for run in moisture.history.runs]
