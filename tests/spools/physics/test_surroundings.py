"""Fewer stretches of air that say the same."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spools.physics.isotherm import Isotherm
from spools.physics.surroundings import RH_TOLERANCE, TEMPERATURE_TOLERANCE_K
from spools.physics.winding import Geometry, Lane, Material, Surroundings, advance, join, uniform

airs = st.lists(
    st.builds(
        Surroundings,
        duration_s=st.sampled_from([0.0, 600.0, 3600.0, 7200.0]),
        temperature_k=st.floats(293, 297),
        rh=st.floats(0.4, 0.46),
        moving_air=st.sampled_from([False, False, False, True]),
    ),
    max_size=12,
)


@given(airs)
def test_time_and_mean_air_stay_and_no_line_misses_by_more_than_it_may(short):
    long = join(short)
    assert sum(a.duration_s for a in long) == pytest.approx(sum(a.duration_s for a in short))
    for first, later in (("temperature_k", "later_temperature_k"), ("rh", "later_rh")):
        told = sum(a.duration_s * (getattr(a, first) + getattr(a, later)) / 2 for a in long)
        assert told == pytest.approx(sum(a.duration_s * getattr(a, first) for a in short))
    at = 0.0
    for air in (a for a in short if a.duration_s > 0):
        middle, at = at + air.duration_s / 2, at + air.duration_s
        kelvin, rh, moving = value_at(long, middle)
        assert abs(kelvin - air.temperature_k) <= TEMPERATURE_TOLERANCE_K + 1e-9
        assert abs(rh - air.rh) <= RH_TOLERANCE + 1e-9
        assert moving == air.moving_air


def value_at(stretches, moment):
    at = 0.0
    for air in stretches:
        if moment <= at + air.duration_s:
            share = (moment - at) / air.duration_s
            return (
                air.temperature_k + share * (air.later_temperature_k - air.temperature_k),
                air.rh + share * (air.later_rh - air.rh),
                air.moving_air,
            )
        at += air.duration_s
    raise AssertionError("no stretch there")


def test_constant_air_is_one_stretch():
    (air,) = join([Surroundings(3600, 295.0, 0.5)] * 7)
    assert (air.duration_s, air.rh, air.later_rh) == (7 * 3600, 0.5, 0.5)


def test_the_last_stretches_follow_a_bend_but_no_jump():
    """Hourly means of a parabola give its slopes; a spool that comes from elsewhere has no slope."""
    hours = np.arange(7)
    curve = [Surroundings(3600, 295.0, float(0.4 + 0.002 * h * h)) for h in hours]
    *_, before, last = join(curve)
    # Within an hour the slope at its middle: 0.002 * 2 h each hour.
    assert last.later_rh - last.rh == pytest.approx(0.002 * 2 * 6)
    assert before.later_rh - before.rh == pytest.approx(0.002 * 2 * 5)
    moved = [*curve[:6], Surroundings(3600, 295.0, 0.2)]
    *_, before, last = join(moved)
    assert before.rh == before.later_rh == curve[5].rh
    assert last.rh == last.later_rh == 0.2


@pytest.mark.parametrize("kind", ["henry", "gab", "flory-huggins"])
def test_a_spool_takes_up_the_same_from_joined_air(kind):
    """Five days of hourly air that swings and flickers: within 0.5 % of the way to equilibrium."""
    geometry = Geometry(0.05, 0.095, 0.06, 0.3, 0.875e-3, 1130)
    material = Material(4e-13, 44e3, Isotherm(kind, 0.028, 4.6, 0.768))
    rng = np.random.default_rng(3)
    hours = np.arange(120)
    rh = 0.5 + 0.1 * np.sin(hours / 24 * 2 * np.pi) + 0.01 * rng.standard_normal(120)
    kelvin = 295 + 3 * np.sin(hours / 24 * 2 * np.pi)
    each = [Surroundings(3600, float(t), float(h)) for t, h in zip(kelvin, rh, strict=True)]
    lane = Lane(geometry, material, uniform(geometry, material, 0.005, 295.0), each)
    fewer = replace(lane, surroundings=join(each))
    assert len(fewer.surroundings) < 60
    exact, quick = advance([lane, fewer])
    way = material.isotherm.equilibrium(0.5) - 0.005
    assert np.abs(exact.state.profile() - quick.state.profile()).max() < 0.005 * way


@settings(max_examples=10)
@given(st.floats(285, 300), st.floats(285, 300), st.floats(0.1, 0.8), st.floats(0.1, 0.8))
def test_air_that_changes_along_a_line_is_the_limit_of_many_small_steps(t0, t1, rh0, rh1):
    geometry = Geometry(0.05, 0.08, 0.06, 0.3, 0.875e-3, 1270)
    material = Material(6e-13, 45e3, Isotherm("henry", 0.004))
    start = uniform(geometry, material, 0.002, 295.0)
    ramp = Surroundings(8 * 3600, t0, rh0, end_temperature_k=t1, end_rh=rh1)
    shares = (np.arange(64) + 0.5) / 64
    small = [Surroundings(8 * 3600 / 64, t0 + s * (t1 - t0), rh0 + s * (rh1 - rh0)) for s in shares.tolist()]
    lanes = [Lane(geometry, material, start, [ramp]), Lane(geometry, material, start, small)]
    one, many = advance(lanes, tolerance=1e-3)
    assert np.abs(one.state.profile() - many.state.profile()).max() < 0.01 * 0.004


def test_air_that_differs_between_members_is_not_joined():
    airs = [Surroundings(3600, 295.0, np.array([0.4, 0.5]))] * 2
    with pytest.raises(ValueError, match="differs between members"):
        join(airs)


def test_impossible_air_of_one_member_is_refused():
    with pytest.raises(ValueError, match="humidity"):
        Surroundings(3600, 295.0, np.array([0.4, 1.5]))
    with pytest.raises(ValueError, match="temperature"):
        Surroundings(3600, np.array([295.0, float("nan")]), 0.5)
