"""Charts as coordinates, and numbers as people read them."""

from datetime import UTC, datetime, timedelta

import pytest

from pages.places.charts import BOTTOM, HEIGHT, LEFT, RIGHT, TOP, WIDTH, draw_line_chart
from pages.templatetags.sensible import sensible

SINCE = datetime(2026, 3, 1, 12, tzinfo=UTC)
GAP = timedelta(hours=6)


def chart(*rows: tuple[float, float]):
    """A chart of (hours since the start, number) over two days."""
    points = [(SINCE + timedelta(hours=hours), value) for hours, value in rows]
    return draw_line_chart(points, SINCE, SINCE + timedelta(days=2), GAP)


def test_a_line_runs_from_corner_to_corner():
    drawn = chart((0, 20), (6, 30), (12, 40), (18, 40), (24, 40), (30, 40), (36, 40), (42, 40), (48, 40))
    points = drawn.lines[0].split()
    assert points[0] == f"{LEFT:.1f},{HEIGHT - BOTTOM:.1f}"
    assert points[-1] == f"{WIDTH - RIGHT:.1f},{TOP:.1f}"


def test_a_line_breaks_where_nothing_was_read():
    assert len(chart((0, 20), (6, 21), (12.1, 22), (13, 23)).lines) == 2


@pytest.mark.parametrize("values", [(21.5, 21.5), (-20, 150), (0, 100), (-0.4, 0.3)])
def test_every_number_lies_within_the_ticks(values):
    numbers = [number for _, number in chart((0, values[0]), (1, values[1])).y_ticks]
    assert numbers[0] <= min(values) and max(values) <= numbers[-1]
    assert 2 <= len(numbers) <= 6


def test_time_is_marked_at_midnight_in_the_shops_zone():
    assert [(at.hour, at.day) for _, at in chart((0, 1)).x_ticks] == [(0, 2)]


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (None, "not known"),
        ("12-16", "12-16"),
        (0, "0"),
        (0.38, "0.38"),
        (2.5001, "2.5"),
        (1234.4, "1234"),
        (4e-13, "4·10⁻¹³"),
        (-2.55e-4, "-2.55·10⁻⁴"),
    ],
)
def test_sensible_digits(value, text):
    assert sensible(value) == text
