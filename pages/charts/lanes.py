"""Bars over time, in lanes below each other: the same Chart as lines have, with texts in the bars or beside them."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from pages.charts.axes import Along, Axis, as_number
from pages.charts.chart import NOW, Chart, DrawnStretch, Frame, Row, describe_row

# Pixels of a lane's name, and of each row of bars in it.
HEADING, ROW = 22, 28
# A letter beside a bar on a phone, where a chart is about 300 pixels wide, % of the axis.
LETTER_PCT = 2.8
# Longer texts are cut: they may take half of a phone.
MOST_LETTERS = 18


@dataclass(frozen=True)
class Piece:
    """A stretch of a bar; kind: by which it is drawn. Of no length: a sign."""

    kind: str
    first: Along
    last: Along


@dataclass(frozen=True)
class Bar:
    """A bar of pieces that follow each other, its text, and the cells of its row in the table."""

    text: str
    pieces: Sequence[Piece]
    cells: Sequence[str]


@dataclass(frozen=True)
class Lane:
    name: str
    bars: Sequence[Bar]


@dataclass(frozen=True)
class _Placed:
    """A bar along its axis, %: where its text is, and the stretch that both take."""

    bar: Bar
    text_x: float
    anchor: str
    left: float
    right: float


def draw_lanes(
    frame: Frame,
    lanes: Sequence[Lane],
    headers: Sequence[str],
    kinds: Mapping[str, str],
    signs: Collection[str] = (),
) -> Chart:
    """kinds: their names in the legend; signs: those that have no length. The reading is the next row after now."""
    axis = Axis(frame.first, frame.last)
    drawn: list[DrawnStretch] = []
    names = []
    y = 0.0
    for lane in lanes:
        names.append((y + HEADING - 6, lane.name))
        y += HEADING
        ends: list[float] = []
        for placed in sorted((_place(bar, axis) for bar in lane.bars), key=lambda placed: placed.left):
            row = next((n for n, end in enumerate(ends) if end <= placed.left), len(ends))
            ends[row : row + 1] = [placed.right]
            drawn += _draw(placed, axis, y + ROW * row)
        y += ROW * max(1, len(ends))
    now = next((axis.at(mark.at) for mark in frame.marks if mark.name == NOW), None)
    bars = sorted(
        (bar for lane in lanes for bar in lane.bars), key=lambda bar: as_number(bar.pieces[0].first)
    )
    rows = [
        Row(axis.at(bar.pieces[0].first), axis.name(bar.pieces[0].first), list(bar.cells)) for bar in bars
    ]
    following = next((row for row in rows if now is None or row.at >= now), rows[-1])
    used = {piece.kind for bar in bars for piece in bar.pieces}
    return Chart(
        title=frame.title,
        reading=describe_row(following, headers),
        along=frame.along,
        y_ticks=[],
        x_ticks=axis.ticks_of_hours(),
        lines=[],
        areas=[],
        bars=[],
        dots=[],
        limits=[],
        spans=[(axis.at(span.first), axis.at(span.last) - axis.at(span.first)) for span in frame.spans],
        marks=[],
        now=now,
        legend=[
            ("event" if kind in signs else "stretch", kind, name)
            for kind, name in kinds.items()
            if kind in used
        ]
        + list(dict.fromkeys(("span", "span", span.name) for span in frame.spans)),
        headers=list(headers),
        rows=rows,
        height=round(y),
        lanes=names,
        stretches=drawn,
    )


def _place(bar: Bar, axis: Axis) -> _Placed:
    """The text lies in a bar that is as long, else behind it, else before it."""
    first, last = axis.at(bar.pieces[0].first), axis.at(bar.pieces[-1].last)
    length = LETTER_PCT * (1 + min(MOST_LETTERS, len(bar.text)))
    if length > last - first:
        if last + length <= 100:
            return _Placed(bar, last, "start", first, last + length)
        if first >= length:
            return _Placed(bar, first, "end", first - length, last)
    return _Placed(bar, first, "start", first, max(last, first + length))


def _draw(placed: _Placed, axis: Axis, y: float) -> list[DrawnStretch]:
    bar = placed.bar
    text = bar.text if len(bar.text) <= MOST_LETTERS else f"{bar.text[: MOST_LETTERS - 1]}…"
    pieces = [
        piece for piece in bar.pieces if len(bar.pieces) == 1 or axis.at(piece.last) > axis.at(piece.first)
    ]
    return [
        DrawnStretch(
            piece.kind,
            axis.at(piece.first),
            axis.at(piece.last) - axis.at(piece.first),
            y,
            # The last one is drawn above the others.
            text if piece is pieces[-1] else "",
            placed.text_x,
            placed.anchor,
        )
        for piece in pieces
    ]
