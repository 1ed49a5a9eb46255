"""The evidence of weighings, against linear Gaussian estimation computed here independently."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spools.physics.ensemble import MEMBERS, first_members, interval
from spools.physics.evidence import (
    MODEL_ERROR,
    OF_STEP,
    WIDER,
    Load,
    Weighings,
    assimilate,
    cardboard_after,
    divide_mass,
)

LOAD = Load(1.0, 0.012, 0.25, 0.015)


def first_points(dimensions, count=MEMBERS):
    return first_members(tuple("ab"[:dimensions]), count).points


def weighings(gross, printed=None, step=0.001, loose=0.0):
    n = len(gross)
    printed = np.zeros(n) if printed is None else np.asarray(printed, dtype=float)
    return Weighings(np.asarray(gross), np.full(n, step), printed, np.full(n, loose), np.zeros(n))


def straight(slopes, base):
    """Water (n, members) that is linear in the members' points."""
    return lambda points: np.asarray(base)[:, None] + np.asarray(slopes) @ points.T


def test_in_a_linear_world_it_is_the_exact_posterior():
    """Mean and spread against Bayes' rule for normal distributions, with many members."""
    slopes, base = [[0.010, 0.002], [0.001, 0.004]], [0.020, 0.004]
    seen = weighings([1.281, 1.258])
    points = first_points(2, 2048)
    moved = assimilate(points, straight(slopes, base)(points), straight(slopes, base), seen, LOAD)

    h = np.asarray(slopes)
    model = MODEL_ERROR * np.abs(np.array([0.0, np.abs((h[1] - h[0]) @ points.T - 0.016).mean()]))
    shared = LOAD.filament_sd_kg**2 + LOAD.core_sd_kg**2
    noise = np.full((2, 2), shared) + np.diag((OF_STEP * 0.001) ** 2 + model**2)
    gain = h.T @ np.linalg.inv(h @ h.T + noise)
    mean = gain @ (seen.gross_kg - 1.25 - base)
    covariance = np.eye(2) - gain @ h
    np.testing.assert_allclose(moved.mean(0), mean, atol=0.005)
    np.testing.assert_allclose(np.cov(moved.T), WIDER**2 * covariance, atol=0.005)


def test_a_weighing_that_says_nothing_leaves_the_members_where_they_are():
    points = first_points(2)
    water = straight([[0.010, 0.002]], [0.020])
    moved = assimilate(points, water(points), water, weighings([1.3], step=100.0), LOAD)
    np.testing.assert_allclose(moved, WIDER * points, atol=1e-3)


def test_weighings_around_a_drying_give_the_water_that_left():
    """22.0 g lighter after drying to the floor: that much water was in it, within the scale's step."""
    points = first_points(1)

    def water(members):
        return np.array([0.020 * np.exp(0.5 * members[:, 0]), np.full(len(members), 0.002)])

    seen = weighings([1.290, 1.268])
    moved = assimilate(points, water(points), water, seen, LOAD)
    low, likely, high = interval(water(moved)[0] - water(moved)[1])
    assert low < 0.022 < high
    assert likely == pytest.approx(0.022, abs=0.001)
    assert high - low < 0.0055 < 0.5 * (interval(water(points)[0])[2] - interval(water(points)[0])[0])


def test_a_finer_scale_narrows_the_water():
    points = first_points(1)
    water = straight([[0.006], [0.0]], [0.012, 0.001])
    widths = [
        np.ptp(
            interval(
                water(assimilate(points, water(points), water, weighings([1.266, 1.251], step=step), LOAD))[0]
            )
        )
        for step in (0.01, 0.001, 0.0001)
    ]
    assert widths[0] > widths[1] > widths[2]


@pytest.mark.parametrize("off", [-0.06, 0.08])
def test_a_step_that_nothing_explains_is_no_news_of_the_water(off):
    points = first_points(1)
    water = straight([[0.006], [0.006]], [0.012, 0.012])
    plain = weighings([1.262, 1.262], loose=0.003)
    slip = replace(plain, gross_kg=np.array([1.262, 1.262 + off]))
    told = divide_mass(water(points), water(assimilate(points, water(points), water, slip, LOAD)), slip, LOAD)
    assert told.unexplained_kg[0] == 0
    assert told.unexplained_kg[1] == pytest.approx(off, abs=0.002)
    alone = assimilate(
        points,
        straight([[0.006]], [0.012])(points),
        straight([[0.006]], [0.012]),
        weighings([1.262], loose=0.003),
        LOAD,
    )
    with_slip = assimilate(points, water(points), water, slip, LOAD)
    np.testing.assert_allclose(interval(with_slip[:, 0]), interval(alone[:, 0]), atol=0.35)
    # The amount follows the scale.
    assert told.filament[1] == pytest.approx(1.0 + off, abs=0.02)


def test_the_parts_add_up_to_the_weighed_mass():
    points = first_points(2)
    water = straight([[0.006, 0.0], [0.004, 0.001]], [0.012, 0.010])
    seen = weighings([1.265, 1.160], printed=[0.0, 0.1], loose=0.003)
    told = divide_mass(water(points), water(assimilate(points, water(points), water, seen, LOAD)), seen, LOAD)
    assert told.filament[1] + told.water[1] + told.core[1] == pytest.approx(1.160, abs=0.002)
    assert told.surely[0] < told.filament[0] < told.filament[2] < told.surely[1]
    low, likely, high = told.printed_share
    assert 0.9 < low < likely < high < 1.15


def test_grams_that_were_printed_but_not_all_recorded_show_in_the_share():
    """Four prints of 100 g by the record that took 106 g each."""
    points = first_points(1)
    water = straight([[0.001]] * 5, [0.003] * 5)
    recorded = np.array([0.0, 0.1, 0.2, 0.3, 0.4])
    seen = weighings(1.253 - 1.06 * recorded, printed=recorded, loose=0.001)
    told = divide_mass(water(points), water(points), seen, LOAD)
    assert told.printed_share[0] > 1.03
    assert told.printed_share[1] == pytest.approx(1.06, abs=0.015)


@settings(max_examples=25)
@given(
    st.lists(st.floats(1.20, 1.30), min_size=1, max_size=8),
    st.floats(0.0001, 0.01),
    st.floats(0.0, 0.01),
)
def test_any_weighings_leave_finite_members_and_the_same_ones_each_time(gross, step, loose):
    points = first_points(2)
    water = straight([[0.005, 0.001 * n] for n in range(len(gross))], [0.01] * len(gross))
    seen = weighings(gross, step=step, loose=loose)
    moved = assimilate(points, water(points), water, seen, LOAD)
    assert np.isfinite(moved).all() and (np.abs(moved) <= 4).all()
    np.testing.assert_array_equal(moved, assimilate(points, water(points), water, seen, LOAD))


@given(st.floats(0, 2), st.floats(1, 1e7), st.floats(280, 370), st.floats(0, 1))
def test_cardboard_goes_towards_the_air_and_never_past_it(share, seconds, kelvin, rh):
    after = cardboard_after(share, seconds, kelvin, rh)
    assert min(share, rh / 0.5) - 1e-12 <= after <= max(share, rh / 0.5) + 1e-12
    halfway = cardboard_after(share, seconds / 2, kelvin, rh)
    assert cardboard_after(halfway, seconds / 2, kelvin, rh) == pytest.approx(after, abs=1e-9)
