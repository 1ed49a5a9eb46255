"""The budget of hot air and the transition under water: their published points, and what must always hold."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from spools.physics import oxidation, softening

CELSIUS = st.floats(20, 150)
HOURS = st.floats(0, 500)
DRY_K, WET_K, W_WET = 348.15, 314.15, 6.0


# fixtures/reference/thermal_values.csv, PA natural or light, air heat budget (derived there).
@pytest.mark.parametrize(("celsius", "hours"), [(80, 24), (90, 8), (100, 3)])
def test_one_run_may_last_as_long_as_the_table_allows(celsius, hours):
    assert oxidation.run_hours(celsius + 273.15) == pytest.approx(hours)
    assert oxidation.run_share([(celsius + 273.15, hours)]) == pytest.approx(1)


def test_about_100_h_at_80_are_the_budget_of_a_life():
    assert oxidation.life_share([(353.15, 60), (353.15, 40)]) == pytest.approx(1)
    # Between two points of the table: their geometric mean.
    assert oxidation.run_hours(358.15) == pytest.approx((24 * 8) ** 0.5)


@given(CELSIUS, CELSIUS, HOURS, HOURS)
def test_hotter_and_longer_use_more(one_c, other_c, one_h, other_h):
    (cool, hot), (short, long) = sorted([one_c, other_c]), sorted([one_h, other_h])
    used = oxidation.run_share([(hot + 273.15, long)])
    assert used >= oxidation.run_share([(cool + 273.15, long)]) * (1 - 1e-12)
    assert used >= oxidation.run_share([(hot + 273.15, short)])
    if hot - cool > 0.01 and long > 0.01:
        assert used > oxidation.run_share([(cool + 273.15, long)])


@given(st.lists(st.tuples(CELSIUS.map(lambda c: c + 273.15), HOURS), max_size=5), st.integers(0, 5))
def test_splitting_a_run_changes_nothing(stages, cut):
    halves = oxidation.life_share(stages[:cut]) + oxidation.life_share(stages[cut:])
    assert oxidation.life_share(stages) == pytest.approx(halves)


# Sheet of a maker of thermal analysers (thermal_values.csv, PVA): ambient moisture lowers Tg by 34 K.
def test_the_dry_and_the_wet_transition_are_met():
    assert softening.water_to_stand(DRY_K, DRY_K, WET_K, W_WET) == pytest.approx(0)
    assert softening.water_to_stand(WET_K, DRY_K, WET_K, W_WET) == pytest.approx(W_WET)


# Fox with water's own transition, 136 K (from memory): the effect of 6 % of water on PVA, not from our table.
def test_foxs_equation_with_waters_own_transition_agrees_roughly():
    share = 0.06 / 1.06
    fox_k = 1 / ((1 - share) / DRY_K + share / 136)
    assert softening.water_to_stand(fox_k, DRY_K, WET_K, W_WET) == pytest.approx(6, abs=1.5)


@given(st.floats(WET_K, DRY_K), st.floats(WET_K, DRY_K))
def test_a_hotter_place_allows_less_water_and_never_more_than_a_straight_line(one_k, other_k):
    cool_k, hot_k = sorted([one_k, other_k])
    allowed = softening.water_to_stand(hot_k, DRY_K, WET_K, W_WET)
    assert allowed <= softening.water_to_stand(cool_k, DRY_K, WET_K, W_WET)
    assert allowed <= W_WET * (DRY_K - hot_k) / (DRY_K - WET_K) + 1e-9


@given(st.floats(315, 348))
def test_one_over_the_transition_is_linear_in_water(temperature_k):
    w = softening.water_to_stand(temperature_k, DRY_K, WET_K, W_WET)
    assert 1 / temperature_k == pytest.approx(1 / DRY_K + (1 / WET_K - 1 / DRY_K) * w / W_WET)
