import csv
from dataclasses import replace

import numpy as np
import pytest
from django.conf import settings as project
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy.stats import norm, t

from maintenance.wear.learning import (
    SHAPE_SPREAD,
    TAIL,
    BoreEvidence,
    Record,
    Weibull,
    learn,
    log_likelihood,
    prior_of,
    record_in_use,
)
from maintenance.wear.life import Life

BRASS = Life(0.17, 0.055, 0.49)
LINER = Life(400, 200, 600)
stated_lives = st.sampled_from([BRASS, LINER])
# As shares of the stated median.
shares = st.floats(0.05, 4)
records = st.lists(st.tuples(shares, st.booleans()), max_size=6)


def kept(stated: Life, rows) -> tuple[Record, ...]:
    return tuple(Record(share * stated.median, worn) for share, worn in rows)


def test_before_any_record_the_lives_are_those_stated_of_every_kind_in_the_catalogue():
    with (project.BASE_DIR / "fixtures" / "part_kinds.csv").open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["life"]]
    assert len(rows) > 20
    for row in rows:
        stated = Life(*(float(row[name]) for name in ("life", "life_low", "life_high")))
        expected = learn(stated)
        found = expected.low, expected.median, expected.high
        assert found == pytest.approx((stated.low, stated.median, stated.high), rel=5e-3), row["name"]


@pytest.mark.parametrize("numbers", [(1, 1, 1), (100, 99, 101), (1, 0.05, 1.05), (1, 0.001, 1000)])
def test_a_life_stated_without_a_sensible_band_is_believed_as_far_as_lives_scatter(numbers):
    stated = Life(*numbers)
    expected = learn(stated)
    assert expected.median == pytest.approx(stated.median, rel=0.2)
    assert expected.low <= stated.low * 1.01 and expected.high >= stated.high * 0.99


@settings(max_examples=15)
@given(stated_lives, records, shares)
@example(Life(0.17, 0.055, 0.49), [(0.125, True)], 0.0625)
def test_one_that_lasted_so_long_never_makes_it_less_likely_that_others_do(stated, rows, share):
    # E[S^2] / E[S] >= E[S], whatever the weights are.
    before, after = (learn(stated, kept(stated, found)) for found in (rows, [*rows, (share, False)]))
    age = share * stated.median
    assert after.used_up_by(age) <= before.used_up_by(age) + 2e-3


@settings(max_examples=15)
@given(stated_lives, records, shares)
def test_one_worn_at_an_age_never_makes_that_age_less_likely(stated, rows, share):
    def near(expected) -> float:
        return expected.used_up_by(1.02 * age) - expected.used_up_by(age / 1.02)

    age = share * stated.median
    before, after = (learn(stated, kept(stated, found)) for found in (rows, [*rows, (share, True)]))
    assert near(after) >= near(before) * 0.97


@pytest.mark.parametrize("stated", [BRASS, LINER, Life(1.1, 0.22, 5.4)])
def test_short_lives_shorten_and_long_ones_lengthen_what_is_expected(stated):
    medians = [learn(stated, kept(stated, [(share, True)] * 5)).median for share in (0.2, 0.5, 1, 2, 5)]
    assert medians == sorted(medians)
    assert medians[0] < 0.5 * stated.median and medians[-1] > 2 * stated.median


@settings(max_examples=10)
@given(stated_lives, records, st.randoms())
def test_the_order_of_records_does_not_matter(stated, rows, random):
    shuffled = random.sample(rows, len(rows))
    item, other = learn(stated, kept(stated, rows)), learn(stated, kept(stated, shuffled))
    assert (item.low, item.median, item.high) == pytest.approx(
        (other.low, other.median, other.high), rel=1e-9
    )


@settings(max_examples=10)
@given(st.floats(0.1, 10), records)
def test_the_unit_does_not_matter(factor, rows):
    scaled = Life(*(factor * number for number in (BRASS.median, BRASS.low, BRASS.high)))
    item, other = learn(BRASS, kept(BRASS, rows)), learn(scaled, kept(scaled, rows))
    assert other.median == pytest.approx(factor * item.median, rel=1e-3)


def test_many_records_outweigh_what_was_stated():
    truth = Weibull(0.5, 4)
    lives = truth.eta * np.random.default_rng(7).weibull(truth.beta, 300)
    expected = learn(BRASS, tuple(Record(float(life), True) for life in lives))
    for share in (0.1, 0.5, 0.9):
        assert expected.age_when(share) == pytest.approx(truth.age_when(share), rel=0.05)
    low, middle, high = expected.typical
    assert low < truth.age_when(0.5) < high and high / low < 1.1
    assert middle == pytest.approx(truth.age_when(0.5), rel=0.03)


def test_weights_agree_with_a_plain_sum_over_a_fine_grid():
    # The same posterior, evaluated the slow way: no narrowing, no table, the t distribution of SciPy.
    observed = kept(BRASS, [(0.5, True), (1.2, True), (2, False)])
    prior = prior_of(BRASS)
    z, shape_z = (axis.ravel() for axis in np.meshgrid(*[np.linspace(-9, 9, 601)] * 2))
    eta, beta = np.exp(prior.log_eta(z)), np.exp(prior.log_shape + SHAPE_SPREAD * shape_z)
    weight = np.exp(log_likelihood(eta, beta, observed)) * t.pdf(z, TAIL) * norm.pdf(shape_z)
    expected = learn(BRASS, observed)
    for age in (0.03, 0.1, 0.2, 0.5, 1.0):
        slow = float((-np.expm1(-((age / eta) ** beta)) * weight).sum() / weight.sum())
        assert expected.used_up_by(age) == pytest.approx(slow, abs=2e-3)


def test_a_reading_narrows_the_life_of_the_part_that_was_measured():
    # 0.05 km used 30 % (give or take 5) of it: worn out at about 0.05 / 0.3 = 0.167 km.
    expected = learn(BRASS)
    measured = expected.condition_on([BoreEvidence(0.05, 0.30, 0.05)])
    assert measured.median == pytest.approx(0.167, rel=0.05)
    assert measured.high / measured.low < expected.high / expected.low / 4
    assert expected.condition_on([]) is expected


def test_an_exact_reading_gives_the_life_and_a_vague_one_nothing():
    expected = learn(BRASS)
    exact = expected.condition_on([BoreEvidence(0.05, 0.2, 0.001)])
    assert (exact.low, exact.median, exact.high) == pytest.approx((0.25, 0.25, 0.25), rel=0.02)
    vague = expected.condition_on([BoreEvidence(0.05, 0.2, 50)])
    assert (vague.low, vague.median, vague.high) == pytest.approx(
        (expected.low, expected.median, expected.high), rel=0.01
    )


def test_exact_readings_teach_as_much_as_the_worn_parts_that_they_foretell():
    lives = [0.2, 0.26, 0.3, 0.33]
    worn = learn(BRASS, tuple(Record(life, True) for life in lives))
    gauged = learn(
        BRASS, tuple(Record(0.0, False, (BoreEvidence(0.1, 0.1 / life, 0.004),)) for life in lives)
    )
    for share in (0.1, 0.5, 0.9):
        assert gauged.age_when(share) == pytest.approx(worn.age_when(share), rel=0.02)


@pytest.mark.parametrize("numbers", [(1, 1e-6, 1e9), (1e-6, 1e-6, 1e-6), (1e9, 1e9, 1e9), (1, 1e-6, 1)])
def test_the_oddest_lives_that_can_be_stated_give_a_band(numbers):
    stated = Life(*numbers)
    for observed in ((), (Record(1e-9, True), Record(1e9, False)), (Record(1e-300, True),)):
        expected = learn(stated, observed)
        assert 0 < expected.low <= expected.median <= expected.high < float("inf")


def test_several_readings_equal_the_one_that_combines_them():
    # Two of the same part, each with error e, are worth one with e / sqrt(2) at the same age.
    expected = learn(BRASS)
    twice = expected.condition_on([BoreEvidence(0.05, 0.3, 0.06), BoreEvidence(0.05, 0.3, 0.06)])
    once = expected.condition_on([BoreEvidence(0.05, 0.3, 0.06 / 2**0.5)])
    assert (twice.low, twice.median, twice.high) == pytest.approx(
        (once.low, once.median, once.high), rel=1e-6
    )


@settings(max_examples=15)
# A life beyond all that are expected.
@example([BoreEvidence(10, -1, 0.003)], 0)
@given(
    st.lists(
        st.builds(BoreEvidence, st.floats(1e-4, 10), st.floats(-3, 60), st.floats(0.003, 30)),
        min_size=1,
        max_size=3,
    ),
    st.floats(0, 1),
)
def test_lives_stay_a_range_whatever_the_reading(readings, seen_sound):
    record = Record(seen_sound, False, tuple(readings))
    for expected in (learn(BRASS).condition_on(readings), learn(BRASS, (record,))):
        assert 0 < expected.low <= expected.median <= expected.high < 1e9
        assert 0 <= expected.used_up_by(0.1) <= expected.used_up_by(0.2) <= 1


def test_readings_of_a_worn_part_are_past():
    record = Record(0.2, True)
    assert learn(BRASS, (replace(record, readings=(BoreEvidence(0.1, 0.9, 0.01),)),)).median == pytest.approx(
        learn(BRASS, (record,)).median
    )


def test_a_part_in_use_is_believed_up_to_the_age_of_a_long_lived_one():
    assert record_in_use(0.1234, BRASS) == Record(0.12, False)
    assert record_in_use(5, BRASS) == Record(0.49, False)


@settings(max_examples=30, deadline=None)
@given(stated=stated_lives, rows=records)
def test_the_table_that_is_stored_has_few_points_and_gives_the_same_chances(stated, rows):
    expected = learn(stated, kept(stated, rows))
    stored = expected.thinned
    assert len(stored.log_age) <= 160
    for age in np.geomspace(stated.median / 100, 20 * stated.median, 50):
        assert stored.used_up_by(age) == pytest.approx(expected.used_up_by(age), abs=5e-4)
