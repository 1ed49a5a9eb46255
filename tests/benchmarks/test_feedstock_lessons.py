"""Knowledge that spools pass on: normal distributions that multiply."""

import numpy as np

from benchmarks.feedstock_lessons import LOT_SD, ROUNDED, combine, lesson_from
from spools.physics.ensemble import Members, first_members

NAMES = ("w50_pct", "d23_m2_s")
FIRST = first_members((*NAMES, "start_rh"))


def narrowed(middle: float, sd: float) -> Members:
    """The first members, with the first number known to a standard deviation."""
    points = FIRST.points.copy()
    points[:, 0] = middle + sd * points[:, 0]
    return Members(FIRST.names, points)


def test_nothing_learnt_is_the_catalogue():
    for lessons in ([], [lesson_from(FIRST, NAMES)] * 3):
        np.testing.assert_allclose(combine(lessons, 2).members(FIRST, NAMES).points, FIRST.points, atol=1e-12)


def test_a_spool_that_knows_a_number_moves_and_narrows_it_for_the_others():
    taught = combine([lesson_from(narrowed(1.0, 0.1), NAMES)], 2).members(FIRST, NAMES)
    np.testing.assert_allclose(taught.points[:, 1:], FIRST.points[:, 1:], atol=1e-12)
    # Bayes' rule for normal numbers: the feedstock's, then the difference of one more lot.
    seen, lot = 1 / (1 / 0.1**2 - 1) + LOT_SD**2, LOT_SD**2
    variance = 1 / (1 / (1 - lot) + 1 / seen)
    middle = variance / seen * (1.0 / (1 - 0.1**2))
    assert abs(taught.point("w50_pct").mean() - middle) <= ROUNDED
    assert abs(taught.point("w50_pct").std() - np.sqrt(variance + lot)) <= ROUNDED


def test_more_spools_narrow_it_further_but_never_below_the_difference_of_lots():
    lesson = lesson_from(narrowed(0.5, 0.4), NAMES)
    spreads = [
        combine([lesson] * count, 2).members(FIRST, NAMES).point("w50_pct").std() for count in (0, 1, 3, 20)
    ]
    assert spreads == sorted(spreads, reverse=True)
    assert spreads[-1] >= LOT_SD
    many, more = (combine([lesson] * count, 2) for count in (20, 21))
    np.testing.assert_array_equal(many.middle, more.middle)
    np.testing.assert_array_equal(many.factor, more.factor)
