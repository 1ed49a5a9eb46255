"""The one way to draw a chart: lines, bands, columns, limits, spans and marks, as SVG that templates/partials/chart.html writes.

Positions along are in % of the width, heights in pixels, so that a chart is as wide as its page has room while its
texts keep their size. The numbers stand in its table, which a reading cursor (static/chart.js) reads, too.
"""

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from math import ceil

from django.utils.translation import gettext as _

from pages.charts.axes import Along, Axis, NamedAxis, Tick, as_number, round_ticks
from spools.wording import format_exact, format_number

HEIGHT = 190
# Lines are drawn in a box so wide, which the page stretches.
BOX_WIDTH = 1000
MOST_TICKS = 4
# Labels of limits that lie closer, in pixels, stand above and below their lines.
LABEL_PX = 26
ASCENT_PX = 14
# Of the way from one column to the next, the column itself.
COLUMN_SHARE = 0.72
MOST_ROWS = 80
STRETCH_PX = 24

# What is known how, which a line shows by its stroke: see drawings.css.
MEASURED, COMPUTED, FORECAST, OTHER_FORECAST, ASSUMED = "measured", "computed", "forecast", "other", "assumed"
# Of dots that are beyond a limit: diamonds.
SIGNAL = "signal"
# The mark of the present time.
NOW = "now"


@dataclass(frozen=True)
class Series:
    """A line through (along, value) points in their order, and a band of (low, high) about each of them.

    kind: by which it is drawn. gap: where two points are further apart the line breaks, in seconds or in the unit
    along. in_dots: points without a line, whose bands are error bars. in_columns: on a Frame with names; one series
    stands on the one before it.
    """

    name: str
    kind: str
    points: Sequence[tuple[Along, float]]
    bands: Sequence[tuple[float, float]] = ()
    gap: float | None = None
    in_dots: bool = False
    in_columns: bool = False

    @property
    def is_line(self) -> bool:
        return not (self.in_dots or self.in_columns)


@dataclass(frozen=True)
class Limit:
    """A line across at a value, with its name; its value stands behind it."""

    value: float
    name: str


@dataclass(frozen=True)
class Mark:
    """An event: NOW, a line of its own; others a sign on the axis. name: in the legend; text: in the table."""

    at: Along
    name: str
    text: str = ""


@dataclass(frozen=True)
class Span:
    """A stretch that is shaded, such as a drying run."""

    first: Along
    last: Along
    name: str


@dataclass(frozen=True)
class Row:
    """A row of the table, for a place along in %; cells: a text for each series, and what happened then."""

    at: float
    head: str
    cells: list[str]


@dataclass(frozen=True)
class DrawnStretch:
    """A stretch in a lane, or a sign where its width is 0; x, width in %, y in pixels. Its text lies at text_x."""

    kind: str
    x: float
    width: float
    y: float
    text: str
    text_x: float
    anchor: str
    height: int = STRETCH_PX

    @property
    def right(self) -> float:
        return self.x + self.width

    @property
    def middle(self) -> float:
        return self.y + self.height / 2


@dataclass(frozen=True)
class Chart:
    """Everything that the template writes. y positions in pixels, x in %, paths in a box of BOX_WIDTH × height.

    reading: the values now, or the last ones, as the cursor shows those of other places.
    limits: (y, text, y of the text). spans: (x, width). marks: x of signs. now: x.
    lines, areas: (kind, path). dots: (kind, x, y). bars: (kind, x, y, y). columns: (kind, x, y, width, height).
    legend: (sign, kind, name), the sign a line, dot, column, span or event. headers: of the columns of rows.
    lanes: (y of the name, name) and the stretches in them (pages/charts/lanes.py).
    """

    title: str
    reading: str
    along: str
    y_ticks: list[tuple[float, str]]
    x_ticks: list[Tick]
    lines: list[tuple[str, str]]
    areas: list[tuple[str, str]]
    dots: list[tuple[str, float, float]]
    bars: list[tuple[str, float, float, float]]
    limits: list[tuple[float, str, float]]
    spans: list[tuple[float, float]]
    marks: list[float]
    now: float | None
    legend: list[tuple[str, str, str]]
    headers: list[str]
    rows: list[Row]
    height: int
    columns: list[tuple[str, float, float, float, float]] = field(default_factory=list)
    width: int = BOX_WIDTH
    lanes: Sequence[tuple[float, str]] = ()
    stretches: Sequence[DrawnStretch] = ()


@dataclass(frozen=True)
class Frame:
    """What is around the lines.

    first, last: the ends of the axis along. heads: names of places along that are not their value. write: how a value
    is written. names: of columns, whose points then have their numbers along; the ends follow from them.
    """

    title: str
    first: Along = 0.0
    last: Along = 0.0
    along: str = ""
    along_unit: str = ""
    heads: Mapping[Along, str] = field(default_factory=dict)
    limits: Sequence[Limit] = ()
    marks: Sequence[Mark] = ()
    spans: Sequence[Span] = ()
    write: Callable[[float], str] = format_number
    from_zero: bool = False
    names: Sequence[str] = ()
    height: int = HEIGHT


def draw_chart(frame: Frame, series: Sequence[Series]) -> Chart:
    """A chart of at least one point."""
    axis = NamedAxis(frame.names) if frame.names else Axis(frame.first, frame.last)
    stacks = _stack(series)
    values = [top for *__, top in stacks]
    values += [value for each in series for __, value in each.points]
    values += [end for each in series for band in each.bands for end in band]
    values += [limit.value for limit in frame.limits]
    ticks = round_ticks(min(values + [0.0] * (frame.from_zero or bool(stacks))), max(values), MOST_TICKS)
    low, high = ticks[0], ticks[-1]

    def y(value: float) -> float:
        return round(frame.height * (high - value) / (high - low), 1)

    spans = [span for span in frame.spans if axis.at(span.last) > axis.at(span.first)]
    marks = [mark for mark in frame.marks if axis.contains(mark.at)]
    signs = [mark for mark in marks if mark.name != NOW]
    now = next((axis.at(mark.at) for mark in marks if mark.name == NOW), None)
    events = _list_events(axis, marks, spans)
    headers = [each.name for each in series] + [_("event")] * bool(events)
    rows = _rows(series, axis, events, frame)
    return Chart(
        title=frame.title,
        reading=describe_row(_find_last(rows, now, len(series)), headers),
        along=frame.along,
        y_ticks=[(y(tick), format_exact(tick)) for tick in ticks],
        x_ticks=axis.ticks(),
        lines=[(each.kind, trace_line(each, axis, y)) for each in series if each.is_line],
        areas=[(each.kind, _area(each, axis, y)) for each in series if each.bands and each.is_line],
        dots=[
            (each.kind, axis.at(at), y(value)) for each in series if each.in_dots for at, value in each.points
        ],
        bars=[
            (each.kind, axis.at(at), y(low), y(high))
            for each in series
            if each.in_dots
            for (at, _), (low, high) in zip(each.points, each.bands, strict=False)
        ],
        limits=_place_limits(frame.limits, y, frame.write),
        spans=[(axis.at(span.first), axis.at(span.last) - axis.at(span.first)) for span in spans],
        marks=[axis.at(mark.at) for mark in signs],
        now=now,
        legend=_legend(series, spans, signs),
        headers=headers,
        rows=rows,
        height=frame.height,
        columns=[
            (
                kind,
                axis.at(at - COLUMN_SHARE / 2),
                y(top),
                axis.at(COLUMN_SHARE - 0.5),
                round(y(low) - y(top), 1),
            )
            for kind, at, low, top in stacks
        ],
    )


def _stack(series: Sequence[Series]) -> list[tuple[str, float, float, float]]:
    """(kind, number, lower end, upper end) of each piece of a column, one on the other."""
    tops: dict[float, float] = defaultdict(float)
    pieces = []
    for each in series:
        if each.in_columns:
            for at, value in each.points:
                low = tops[as_number(at)]
                tops[as_number(at)] += value
                pieces.append((each.kind, as_number(at), low, low + value))
    return pieces


def _points(points: Sequence[tuple[Along, float]], axis: Axis, y: Callable[[float], float]) -> list[str]:
    return [f"{BOX_WIDTH / 100 * axis.at(at):.0f} {y(value):.1f}" for at, value in points]


def trace_line(series: Series, axis: Axis, y: Callable[[float], float]) -> str:
    places = _points(series.points, axis, y)
    far = [False] + [
        series.gap is not None and as_number(after) - as_number(before) > series.gap
        for (before, __), (after, __) in pairwise(series.points)
    ]
    joints = ["M" if n == 0 or is_far else "L" for n, is_far in enumerate(far)]
    return "".join(joint + place for joint, place in zip(joints, places, strict=False))


def _area(series: Series, axis: Axis, y: Callable[[float], float]) -> str:
    """Between the lower and the upper ends of the band; pieces as those of the line."""
    pieces: list[list[int]] = [[0]]
    for n, ((before, __), (after, __)) in enumerate(pairwise(series.points), start=1):
        if series.gap is not None and as_number(after) - as_number(before) > series.gap:
            pieces.append([])
        pieces[-1].append(n)
    path = ""
    for piece in pieces:
        lower = _points([(series.points[n][0], series.bands[n][0]) for n in piece], axis, y)
        upper = _points([(series.points[n][0], series.bands[n][1]) for n in reversed(piece)], axis, y)
        path += f"M{'L'.join(lower + upper)}Z"
    return path


def _place_limits(
    limits: Sequence[Limit], y: Callable[[float], float], write: Callable[[float], str]
) -> list[tuple[float, str, float]]:
    """The text of a limit stands above its line, or below where the next higher one is near."""
    placed, above = [], -float(HEIGHT)
    for limit in sorted(limits, key=lambda limit: -limit.value):
        line = y(limit.value)
        is_above = line - above > LABEL_PX and line > ASCENT_PX
        text_y = line - 5 if is_above else line + ASCENT_PX
        placed.append((line, f"{limit.name} {write(limit.value)}", text_y))
        above = text_y
    return placed


def _legend(
    series: Sequence[Series], spans: Sequence[Span], signs: Sequence[Mark]
) -> list[tuple[str, str, str]]:
    """(sign, kind, name) of each series where there are several, and of each name of a span or event once."""
    named = [
        ("dot" if each.in_dots else "column" if each.in_columns else "line", each.kind, each.name)
        for each in series
        if len(series) > 1
    ]
    named += [("span", "", span.name) for span in spans] + [("event", "", sign.name) for sign in signs]
    return list(dict.fromkeys(named))


def _list_events(axis: Axis, marks: Sequence[Mark], spans: Sequence[Span]) -> dict[Along, list[str]]:
    """In words, by their place along."""
    named = [(mark.at, mark.text or (_("now") if mark.name == NOW else mark.name)) for mark in marks]
    named += [
        (span.first, _("{name}, begins").format(name=span.name))
        for span in spans
        if axis.contains(span.first)
    ]
    named += [
        (span.last, _("{name}, ends").format(name=span.name)) for span in spans if axis.contains(span.last)
    ]
    events: dict[Along, list[str]] = {}
    for at, text in named:
        events.setdefault(at, []).append(text)
    return events


def _rows(
    series: Sequence[Series], axis: Axis, events: Mapping[Along, Sequence[str]], frame: Frame
) -> list[Row]:
    """By place along, with all events; of very many points an even choice."""
    by_series = [_texts(each, frame.write) for each in series]
    places = sorted({at for texts in by_series for at in texts}, key=as_number)
    chosen = places[:: max(1, ceil(len(places) / MOST_ROWS))]
    return [
        Row(
            axis.at(at),
            frame.heads.get(at) or f"{axis.name(at)} {frame.along_unit}".rstrip(),
            [texts.get(at, "") for texts in by_series] + ["; ".join(events.get(at, []))] * bool(events),
        )
        for at in sorted({*chosen, *events}, key=as_number)
    ]


def _find_last(rows: Sequence[Row], now: float | None, columns: int) -> Row:
    """The last row with a value up to now; where now is not drawn, the last of all. columns: those of values."""
    until_now = [row for row in rows if (now is None or row.at <= now) and any(row.cells[:columns])]
    return until_now[-1] if until_now else rows[-1]


def describe_row(row: Row, headers: Sequence[str]) -> str:
    """Its values; a forecast that begins with the value of now adds none."""
    named = dict(zip(reversed(row.cells), reversed(headers), strict=True))
    texts = [
        f"{name} {text}" if len(headers) > 1 else text
        for text, name in reversed(named.items())
        if text and name != _("event")
    ]
    return f"{row.head}: {'; '.join(texts)}"


def _texts(series: Series, write: Callable[[float], str]) -> Mapping[Along, str]:
    if not series.bands:
        return {at: write(value) for at, value in series.points}
    return {
        at: _("{value} ({low} to {high})").format(value=write(value), low=write(low), high=write(high))
        for (at, value), (low, high) in zip(series.points, series.bands, strict=True)
    }
