"""The drawing of a winding, and how its numbers are said."""

import pytest

from pages.spools.winding_chart import OVER_LIMIT, draw_depths, draw_reel_level, draw_scale, draw_winding
from pages.templatetags.spoken import roughly
from spools.wording import format_duration

CLEAR_PCT, HOLD_PCT = 0.4, 0.8


def shells(*likely_pct: float) -> list[tuple[float, float, float, float, float]]:
    """Shells of 10 mm from a core of 40 mm, with a band of a half to double."""
    return [(40 + 10 * n, 50 + 10 * n, pct / 2, pct, 2 * pct) for n, pct in enumerate(likely_pct)]


def test_each_tint_ends_at_its_limit():
    drawn = draw_winding(shells(0.2, 0.4, 0.6, 0.8, 0.81), 90, CLEAR_PCT, HOLD_PCT)
    assert [ring.tint for ring in drawn.rings] == [0, 1, 2, 3, OVER_LIMIT]
    assert [ring.hatched for ring in drawn.rings] == [False, False, False, False, True]
    assert [key for *_, key in drawn.leaders] == ["full", "outside", "inside"]


@pytest.mark.parametrize(
    ("pct", "at"), [(0, 0), (0.1, 10), (0.4, 40), (0.7, 70), (0.8, 80), (1.2, 90), (9, 100)]
)
def test_the_scale_marks_the_moisture_among_the_limits(pct, at):
    scale = draw_scale(pct, CLEAR_PCT, HOLD_PCT)
    assert scale.at == pytest.approx(at)
    assert [x for x, *_ in scale.limits] == [40, 80]


def test_a_reel_in_a_list_is_as_full_as_its_area():
    levels = [draw_reel_level(mass_g, 1000) for mass_g in (0, 500, 1000, 1100)]
    assert [level.share_pct for level in levels] == [0, 50, 100, 100]
    assert levels[1].radius ** 2 == pytest.approx((levels[0].radius ** 2 + levels[2].radius ** 2) / 2)


def test_neighbours_of_one_tint_are_one_ring_from_core_to_rim():
    drawn = draw_winding(shells(0.1, 0.1, 0.9, 0.9), 80, CLEAR_PCT, HOLD_PCT)
    dry, wet = drawn.rings
    # 80 mm outside are 48 units: the core of 40 mm 24, the border at 60 mm 36.
    assert dry.outline.startswith("M14.00 50a36.00 36.00") and "M26.00 50a24.00 24.00" in dry.outline
    assert wet.outline.startswith("M2.00 50a48.00 48.00") and "M14.00 50a36.00 36.00" in wet.outline
    assert (drawn.core, drawn.rim, drawn.full) == pytest.approx((24, 48, 48))


def test_a_winding_that_was_fuller_leaves_room_to_the_full_one():
    drawn = draw_winding(shells(0.1), 100, CLEAR_PCT, HOLD_PCT)
    assert (drawn.core, drawn.rim, drawn.full) == pytest.approx((19.2, 24, 48))


def test_depths_go_from_the_outer_turns_to_the_core():
    chart = draw_depths(shells(0.1, 0.9), 120, CLEAR_PCT, HOLD_PCT)
    # 40 to 50 to 60 mm: 900 and 1100 mm² of 120 g, each where half of it is printed.
    assert [(row.head, row.cells) for row in chart.rows] == [
        ("33 g", ["0.9 (0.45 to 1.8)"]),
        ("93 g", ["0.1 (0.05 to 0.2)"]),
    ]
    assert [text for _, text, _ in chart.limits] == ["print limit 0.8", "prints well up to 0.4"]


@pytest.mark.parametrize(
    ("hours", "said"),
    [
        (0, "0 h"),
        (0.5, "30 min"),
        (1.25, "1.25 h"),
        (11.75, "11.75 h"),
        (47.96, "48 h"),
        (60, "2.5 days"),
        (300, "12 days"),
    ],
)
def test_durations(hours, said):
    assert format_duration(hours) == said


@pytest.mark.parametrize(("number", "said"), [(2562, "2600"), (47.4, "47"), (0.0631, "0.063")])
def test_rough_numbers_have_two_digits(number, said):
    assert roughly(number) == said
