"""The air of a place over time: measured, computed and forecast."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from itertools import groupby

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
from spools.air.climate import BELIEVED_FOR
from spools.air.dry_box import BoxNow
from spools.air.salt_checks import Row

SHOWN = timedelta(days=7)
# Readings and hours are drawn as means over so long, with the lowest and the highest.
BIN = timedelta(hours=3)
MOST_AHEAD = timedelta(days=28)
# The forecast goes on a little beyond the day on which the limit is reached.
BEYOND = 1.15


def draw_temperature(rows: Sequence[Row], now: datetime) -> Chart:
    """rows: readings of the days that are shown, at least one."""
    frame = Frame("Temperature, °C", now - SHOWN, now, write=_write_degrees)
    return draw_chart(frame, [_measured([(at, celsius) for at, celsius, _ in rows])])


def draw_humidity(rows: Sequence[Row], now: datetime) -> Chart:
    """The same of the humidity."""
    frame = Frame("Humidity, % RH", now - SHOWN, now, write=_write_humidity)
    return draw_chart(frame, [_measured([(at, rh_pct) for at, _, rh_pct in rows])])


def draw_box(box: BoxNow, rows: Sequence[Row]) -> Chart:
    """The humidity in a dry box: measured, computed, and forecast to the next regeneration or for MOST_AHEAD.

    rows: its readings of the days that are shown, corrected.
    """
    computed = [
        (hour, rh_pct) for hour, (_, rh_pct, _) in box.simulated.hours.items() if hour >= box.at - SHOWN
    ]
    likely = MOST_AHEAD if box.days_likely is None else BEYOND * timedelta(days=box.days_likely)
    until = box.at + min(MOST_AHEAD, max(SHOWN, likely))
    ahead = box.forecast_rh_pct((until - box.at).days)
    forecast = [(box.at + timedelta(days=day), rh_pct) for day, rh_pct in enumerate([box.rh_pct, *ahead])]
    frame = Frame(
        "Humidity in the box, % RH",
        box.at - SHOWN,
        until,
        limits=[Limit(box.place.limit_rh_pct, "limit")],
        marks=[Mark(box.at, NOW), Mark(box.charge.at, "desiccant", str(box.charge))],
        write=_write_humidity,
        from_zero=True,
    )
    series = [_measured([(at, rh_pct) for at, _, rh_pct in rows])] if rows else []
    computed_line = _in_bins(computed, "computed", COMPUTED)
    return draw_chart(frame, [*series, computed_line, Series("forecast", FORECAST, forecast)])


def _measured(rows: Sequence[tuple[datetime, float]]) -> Series:
    return _in_bins(rows, "measured", MEASURED)


def _in_bins(rows: Sequence[tuple[datetime, float]], name: str, kind: str) -> Series:
    """The mean of each BIN, with the lowest and the highest value in it."""
    points, bands = [], []
    for _, group in groupby(rows, key=lambda row: row[0].timestamp() // BIN.total_seconds()):
        times, values = zip(*group, strict=True)
        points.append((times[len(times) // 2], sum(values) / len(values)))
        bands.append((min(values), max(values)))
    return Series(name, kind, points, bands, gap=(BELIEVED_FOR + BIN).total_seconds())


def _write_degrees(celsius: float) -> str:
    return f"{celsius:.1f}"


def _write_humidity(rh_pct: float) -> str:
    return f"{rh_pct:.0f}"
