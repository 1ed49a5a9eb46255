"""Knowledge that spools pass on: normal distributions that multiply."""

import numpy as np

from spools.physics.ensemble import Members, first_members
from spools.physics.lessons import combine, lesson_from

LOT = 0.3
LOTS = {"w50_pct": LOT, "start_rh": LOT}
FIRST = first_members(("w50_pct", "d23_m2_s", "start_rh"))


def narrowed(middle: float, sd: float) -> Members:
    """The first members, with the first number known to a standard deviation."""
    points = FIRST.points.copy()
    points[:, 0] = middle + sd * points[:, 0]
    return Members(FIRST.names, points)


def test_nothing_learnt_is_the_catalogue():
    for lessons in ([], [lesson_from(FIRST, LOTS)] * 3):
        np.testing.assert_allclose(
            combine(lessons, LOTS).members(FIRST, LOTS).points, FIRST.points, atol=1e-12
        )


def test_a_spool_that_knows_a_number_moves_and_narrows_it_for_the_others():
    taught = combine([lesson_from(narrowed(1.0, 0.1), LOTS)], LOTS).members(FIRST, LOTS)
    np.testing.assert_allclose(taught.points[:, 1:], FIRST.points[:, 1:], atol=1e-12)
    # Bayes' rule for normal numbers: the feedstock's, then the difference of one more lot.
    seen, lot = 1 / (1 / 0.1**2 - 1) + LOT**2, LOT**2
    variance = 1 / (1 / (1 - lot) + 1 / seen)
    middle = variance / seen * (1.0 / (1 - 0.1**2))
    np.testing.assert_allclose(taught.point("w50_pct").mean(), middle, rtol=1e-6)
    np.testing.assert_allclose(taught.point("w50_pct").std(), np.sqrt(variance + lot), rtol=1e-6)


def test_more_spools_narrow_it_further_but_never_below_the_difference_of_lots():
    lesson = lesson_from(narrowed(0.5, 0.4), LOTS)
    spreads = [
        combine([lesson] * count, LOTS).members(FIRST, LOTS).point("w50_pct").std() for count in (0, 1, 3, 20)
    ]
    assert spreads == sorted(spreads, reverse=True)
    assert spreads[-1] >= LOT


def test_a_number_that_is_left_out_teaches_nothing_about_itself():
    points = FIRST.points.copy()
    # Known: the sum of two numbers alone.
    points[:, 2] = -points[:, 0] + 0.1 * points[:, 2]
    lesson = lesson_from(Members(FIRST.names, points), LOTS)
    assert abs(lesson.precision[0, 1]) > 0.1
    left = lesson.without(1)
    np.testing.assert_array_equal(left.precision[1], 0)
    taught = combine([left], LOTS).members(FIRST, LOTS)
    np.testing.assert_allclose(taught.point("start_rh"), FIRST.point("start_rh"), atol=1e-12)
