import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from maintenance.wear.learning import Weibull, learn
from maintenance.wear.life import Life, probability_used_up, remaining

ages = st.floats(0, 1e4)
weibulls = st.builds(Weibull, st.floats(0.01, 1e3), st.floats(0.7, 8))
learnt = st.builds(
    lambda median, down, up: learn(Life(median, median / down, median * up)),
    st.sampled_from([0.17, 1.0, 400.0]),
    st.sampled_from([1.0, 2.0, 4.0]),
    st.sampled_from([1.0, 1.5, 5.0]),
)
lives = weibulls | learnt


@given(lives, ages, ages, ages)
def test_longer_use_never_makes_it_likelier_to_last(life, age, ahead, more):
    assert 0 <= probability_used_up(life, age, ahead) <= probability_used_up(life, age, ahead + more) <= 1
    assert probability_used_up(life, age, ahead) <= probability_used_up(life, age + more, ahead)


@given(lives, ages, ages, ages)
def test_having_been_seen_sound_never_makes_it_likelier_to_be_used_up(life, sound_at, further, ahead):
    known = probability_used_up(life, sound_at + further, ahead, sound_at)
    assert known <= probability_used_up(life, sound_at + further, ahead) + 1e-9


@given(lives, ages)
def test_just_seen_sound_it_is_not_used_up(life, age):
    assume(life.used_up_by(age) < 1 - 1e-9)
    assert probability_used_up(life, age, 0, age) == pytest.approx(0, abs=1e-6)


@given(lives, ages, ages)
def test_remaining_life_is_a_range_that_shrinks(life, age, more):
    left, later = remaining(life, age), remaining(life, age + more)
    assert 0 <= left.low <= left.median <= left.high
    assert later.median <= left.median


@given(lives, st.floats(0.001, 0.999))
def test_the_age_of_a_share_and_the_share_of_an_age_agree(life, share):
    assert life.used_up_by(life.age_when(share)) == pytest.approx(share, rel=1e-6)


def test_a_new_part_has_its_whole_life_left():
    left = remaining(learn(Life(100, 30, 300)), 0)
    assert (left.low, left.median, left.high) == pytest.approx((30, 100, 300), rel=1e-3)


def test_a_part_seen_sound_at_its_median_has_the_upper_half_left():
    # Half of them survived 100: the middle of those is at 75 %, the 90 % of those at 95 % of all.
    life = learn(Life(100, 30, 300))
    left = remaining(life, 100, sound_at=100)
    assert left.median == pytest.approx(life.age_when(0.75) - 100, rel=1e-2)
    assert left.high == pytest.approx(life.age_when(0.95) - 100, rel=1e-2)


def test_a_part_far_beyond_every_life_is_used_up():
    life = Weibull(1, 4)
    assert probability_used_up(life, 1000) == 1
    assert probability_used_up(life, 1000, 1, sound_at=1000) == 1
    assert remaining(life, 1000, sound_at=900).high == 0


@pytest.mark.parametrize("numbers", [(1, 2, 3), (2, 1, 1.5), (0, 0, 0), (1, 0, 2), (float("nan"), 1, 2)])
def test_a_band_that_is_none_is_refused(numbers):
    with pytest.raises(ValueError, match="low <= median <= high"):
        Life(*numbers)
