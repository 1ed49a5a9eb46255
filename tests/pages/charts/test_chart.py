"""Charts: where values lie, which ticks they have, and that the table has what is drawn."""

from datetime import UTC, datetime, timedelta

import pytest

from pages.charts.axes import Axis, round_ticks
from pages.charts.chart import (
    COMPUTED,
    FORECAST,
    HEIGHT,
    MEASURED,
    NOW,
    Frame,
    Limit,
    Mark,
    Series,
    Span,
    draw_chart,
)

SINCE = datetime(2026, 3, 1, 12, tzinfo=UTC)
DAY = timedelta(days=1)


def day(number: float) -> datetime:
    return SINCE + number * DAY


def test_a_line_runs_from_corner_to_corner():
    chart = draw_chart(Frame("", 0, 10), [Series("a", COMPUTED, [(0, 20), (10, 40)])])
    assert chart.lines == [(COMPUTED, f"M0 {HEIGHT:.1f}L1000 0.0")]


def test_a_line_and_its_band_break_where_nothing_is_known():
    points = [(0, 20.0), (1, 30.0), (5, 40.0), (6, 20.0)]
    series = Series("a", COMPUTED, points, [(value - 1, value + 1) for _, value in points], gap=2)
    chart = draw_chart(Frame("", 0, 6), [series])
    assert [path.count("M") for _, path in (*chart.lines, *chart.areas)] == [2, 2]


def test_dots_have_error_bars_within_the_chart_and_no_line():
    dots = Series("a", MEASURED, [(0, 2.0), (5, 3.0)], [(-1.5, 4.2), (2.0, 11.0)], in_dots=True)
    chart = draw_chart(Frame("", 0, 10), [dots, Series("b", COMPUTED, [(0, 1.0), (10, 2.0)])])
    assert [(kind, x) for kind, x, _, _ in chart.bars] == [(MEASURED, 0), (MEASURED, 50)]
    for (_, _, y), (_, _, low, high) in zip(chart.dots, chart.bars, strict=True):
        assert 0 <= high < y < low <= HEIGHT
    assert len(chart.lines) == 1 and not chart.areas
    assert chart.legend == [("dot", MEASURED, "a"), ("line", COMPUTED, "b")]


@pytest.mark.parametrize("ends", [(21.5, 21.5), (-20, 150), (0, 100), (-0.4, 0.3), (0.011, 0.0132)])
def test_every_number_lies_within_the_ticks(ends):
    ticks = round_ticks(*ends, 4)
    assert ticks[0] <= ends[0] and ends[1] <= ticks[-1] and 2 <= len(ticks) <= 7


@pytest.mark.parametrize("days", [0.3, 1, 3, 7, 30, 400])
def test_time_is_marked_at_round_times_without_a_crowd(days):
    ticks = Axis(SINCE, day(days)).ticks()
    assert 2 <= len(ticks) <= 8 and sum(not tick.is_spare for tick in ticks) <= 4
    assert all(0 <= tick.at <= 100 for tick in ticks)


def test_the_table_has_what_is_drawn():
    past = Series("computed", COMPUTED, [(day(0), 0.31), (day(1), 0.4)], [(0.2, 0.44), (0.3, 0.5)])
    ahead = Series("forecast", FORECAST, [(day(1), 0.4), (day(2), 0.6)])
    frame = Frame(
        "Moisture, %",
        day(0),
        day(2),
        limits=[Limit(0.5, "clear"), Limit(0.53, "hold")],
        marks=[Mark(day(1), NOW), Mark(day(1.5), "weighed", "weighed 812 g")],
        spans=[Span(day(-1), day(0.5), "drying run")],
    )
    chart = draw_chart(frame, [past, ahead])
    assert [row.cells for row in chart.rows] == [
        ["0.31 (0.2 to 0.44)", "", ""],
        ["", "", "drying run, ends"],
        ["0.4 (0.3 to 0.5)", "0.4", "now"],
        ["", "", "weighed 812 g"],
        ["", "0.6", ""],
    ]
    assert [row.at for row in chart.rows] == [0, 25, 50, 75, 100]
    assert chart.reading == "2 Mar, 13:00: computed 0.4 (0.3 to 0.5); forecast 0.4"
    assert (chart.now, chart.marks, chart.spans) == (50, [75], [(0, 25)])
    assert chart.legend == [
        ("line", COMPUTED, "computed"),
        ("line", FORECAST, "forecast"),
        ("span", "", "drying run"),
        ("event", "", "weighed"),
    ]
    # The two limits are near: one text stands above its line, the other below.
    (upper, _, upper_text), (lower, _, lower_text) = chart.limits
    assert upper_text < upper < lower < lower_text
