"""The air of a place over time: measured, computed and forecast."""

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from itertools import groupby
from math import ceil

from django.utils.translation import gettext as _

from background.units import are_units_customary
from pages.charts.chart import (
    COMPUTED,
    FORECAST,
    MEASURED,
    NOW,
    Chart,
    Frame,
    Limit,
    Mark,
    Series,
    draw_chart,
)
from pages.charts.sparkline import Sparkline, draw_sparkline, range_of
from spools.air.dry_box import BoxNow
from spools.air.dry_box_cache import load_series
from spools.air.dry_box_facts import is_complete
from spools.air.hourly import BELIEVED_FOR, load_readings, rh_at_pressure
from spools.air.salt_checks import Row
from spools.models import Place
from spools.wording import format_fixed

SHOWN = timedelta(days=7)
# Of a dry box more of the past is computed, since the forecast beside it is long.
BOX_SHOWN = timedelta(days=14)
# Readings and hours are drawn as means over so long, with the lowest and the highest.
BIN = timedelta(hours=3)
# Across a longer time without readings no line is drawn.
GAP_S = (BELIEVED_FOR + BIN).total_seconds()
MOST_AHEAD = timedelta(days=120)
LEAST_AHEAD = timedelta(days=7)
MOST_STEPS = 40
# The forecast goes on a little beyond the day on which the limit is reached.
BEYOND = 1.15
SPARK_DAYS = 3
# The least height of a sparkline, % RH.
CALM_PCT = 10.0


def draw_temperature(rows: Sequence[Row], now: datetime) -> Chart:
    """rows: readings of the days that are shown, at least one."""
    is_in_f = are_units_customary()
    title = _("Temperature, °F") if is_in_f else _("Temperature, °C")
    frame = Frame(title, now - SHOWN, now, write=_write_degrees)
    degrees = [(at, 32 + 1.8 * celsius if is_in_f else celsius) for at, celsius, _rh in rows]
    return draw_chart(frame, [_measured(degrees)])


def draw_humidity(rows: Sequence[Row], now: datetime) -> Chart:
    """The same of the humidity."""
    frame = Frame(_("Humidity, % RH"), now - SHOWN, now, write=_write_humidity)
    return draw_chart(frame, [_measured([(at, rh_pct) for at, _celsius, rh_pct in rows])])


def draw_box(box: BoxNow, rows: Sequence[Row]) -> Chart:
    """The humidity in a dry box: measured, computed, and forecast to the next regeneration or for MOST_AHEAD.

    rows: its readings of BOX_SHOWN, corrected.
    """
    computed = [(hour, rh_pct) for hour, (_c, rh_pct, _room) in box.simulated.hours.items()]
    computed = [(hour, rh_pct) for hour, rh_pct in computed if hour >= box.at - BOX_SHOWN]
    likely = None if box.days_likely is None else timedelta(days=box.days_likely)
    until = box.at + min(MOST_AHEAD, max(LEAST_AHEAD, MOST_AHEAD if likely is None else BEYOND * likely))
    days = (until - box.at).days
    ahead = list(enumerate([box.rh_pct, *box.forecast_rh_pct(days)]))
    forecast = [
        (box.at + timedelta(days=day), rh_pct) for day, rh_pct in ahead[:: ceil(len(ahead) / MOST_STEPS)]
    ]
    marks = [Mark(box.at, NOW), Mark(box.charge.at, _("desiccant"), str(box.charge))]
    if likely:
        marks.append(Mark(box.at + likely, _("over the limit"), _("likely over the limit: regenerate")))
    frame = Frame(
        _("Humidity in the box, % RH"),
        box.at - BOX_SHOWN,
        until,
        limits=[Limit(box.place.limit_rh_pct, _("limit"))],
        marks=marks,
        write=_write_humidity,
        from_zero=True,
    )
    series = [_measured([(at, rh_pct) for at, _celsius, rh_pct in rows])] if rows else []
    computed_line = _in_bins(computed, _("computed"), COMPUTED)
    return draw_chart(frame, [*series, computed_line, Series(_("forecast"), FORECAST, forecast)])


def draw_sparklines(places: Iterable[Place], now: datetime) -> dict[int, Sparkline]:
    """The humidity of the last days by place id: measured, or computed of a dry box; none of other places."""
    by_id, since = {place.pk: place for place in places}, now - timedelta(days=SPARK_DAYS)
    measured = {
        pk: [
            (hour, rh_at_pressure(vapour_pa, celsius))
            for hour, (celsius, vapour_pa) in zip(readings.hours, readings.means, strict=True)
            if hour >= since
        ]
        for pk, readings in load_readings(dict.fromkeys(by_id, since), now).items()
    }
    boxes = [place for pk, place in by_id.items() if is_complete(place) and len(measured[pk]) < 2]
    airs = load_series(dict.fromkeys(boxes, (since, now))) if boxes else {}
    lines = {}
    for pk, place in by_id.items():
        samples = sorted(airs[pk].samples.items()) if pk in airs else []
        points = [(at, rh_pct) for at, (_celsius, rh_pct) in samples if at >= since] or measured[pk]
        if len(points) > 1:
            low, high = (f"{rh_pct:.0f}" for rh_pct in range_of(points))
            text = (
                _("Humidity of the last {days} days, computed: {low} to {high} %")
                if pk in airs
                else _("Humidity of the last {days} days, measured: {low} to {high} %")
            )
            series = Series("", COMPUTED if pk in airs else MEASURED, points, gap=GAP_S)
            limit = place.limit_rh_pct if place.kind == Place.Kind.DRY_BOX else None
            title = text.format(days=SPARK_DAYS, low=low, high=high)
            lines[pk] = draw_sparkline(title, series, (since, now), limit=limit, least=CALM_PCT)
    return {pk: line for pk, line in lines.items() if line is not None}


def _measured(rows: Sequence[tuple[datetime, float]]) -> Series:
    return _in_bins(rows, _("measured"), MEASURED)


def _in_bins(rows: Sequence[tuple[datetime, float]], name: str, kind: str) -> Series:
    """The mean of each BIN, with the lowest and the highest value in it."""
    points, bands = [], []
    for _bin, group in groupby(rows, key=lambda row: row[0].timestamp() // BIN.total_seconds()):
        times, values = zip(*group, strict=True)
        points.append((times[len(times) // 2], sum(values) / len(values)))
        bands.append((min(values), max(values)))
    return Series(name, kind, points, bands, gap=GAP_S)


def _write_degrees(degrees: float) -> str:
    return format_fixed(degrees, 1)


def _write_humidity(rh_pct: float) -> str:
    return f"{rh_pct:.0f}"
