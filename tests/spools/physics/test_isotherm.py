import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from spools.physics.isotherm import Isotherm, gab_k
from tests.spools.physics.strategies import isotherms

HUMIDITIES = np.linspace(0, 0.97, 40)[:, None]


def test_nylons_isotherm_gives_its_uptake_at_half_humidity():
    # fixtures/reference/sorption_values.csv: GAB wm 2.35 %, C 4.60, k 0.768 gives 2.8 % at 50 % RH.
    ka = 0.768 / 2
    by_hand = 2.35 * 4.6 * ka / ((1 - ka) * (1 - ka + 4.6 * ka))
    assert by_hand == pytest.approx(2.8, abs=0.05)
    curve = Isotherm("gab", 0.028, 4.6, 0.768)
    assert curve.equilibrium(0.5) == pytest.approx(0.028, rel=1e-12)
    # The same shape, scaled: saturation (9.2 % in water) is not far above the curve's end.
    assert 0.07 < curve.equilibrium(1.0) < 0.1


def test_other_shapes_share_the_uptake_at_half_and_at_70_percent():
    c = np.array([1.0, 2.0, 4.6, 20.0])
    curves = Isotherm("gab", 0.028, c, gab_k(c, 4.6, 0.768))
    likely = Isotherm("gab", 0.028, 4.6, 0.768)
    for rh in (0.5, 0.7):
        np.testing.assert_allclose(curves.equilibrium(rh), float(likely.equilibrium(rh)), rtol=1e-12)
    # Computed once by root finding, for 10 % RH.
    np.testing.assert_allclose(100 * curves.equilibrium(0.1), [0.487, 0.521, 0.697, 1.201], atol=0.001)


def test_henry_is_a_straight_line():
    np.testing.assert_allclose(Isotherm("henry", 0.004).equilibrium([0, 0.25, 1]), [0, 0.002, 0.008])


@given(isotherms())
def test_at_half_humidity_it_is_w50(curve):
    np.testing.assert_allclose(curve.equilibrium(0.5), curve.w50, rtol=1e-9)


@given(isotherms())
def test_rh_of_undoes_equilibrium(curve):
    w = curve.equilibrium(HUMIDITIES)
    np.testing.assert_allclose(curve.rh_of(w), np.broadcast_to(HUMIDITIES, w.shape), atol=1e-9)


@given(isotherms(), st.floats(0.02, 0.9))
def test_slope_is_the_derivative(curve, rh):
    d = 1e-5
    numeric = (curve.equilibrium(rh + d) - curve.equilibrium(rh - d)) / (2 * d)
    np.testing.assert_allclose(curve.slope(rh), numeric, rtol=1e-4)


@given(isotherms())
def test_it_rises_from_nothing_and_goes_on_rising_where_a_solver_may_stray(curve):
    np.testing.assert_allclose(curve.equilibrium(0.0), 0, atol=1e-12)
    w = np.linspace(-0.1, 1, 200)[:, None]
    rh, slope = curve.rh_and_slope(w)
    assert (np.diff(rh, axis=0) > 0).all()
    assert (slope > 0).all()


def test_flory_huggins_is_its_formula():
    # Flory (1953): ln a = ln phi + (1 - phi) + chi (1 - phi)², phi the water's share of the volume.
    curve = Isotherm("flory-huggins", 0.06, density_kg_m3=1230)
    water, polymer = 0.06 / 997, 1 / 1230
    phi = water / (water + polymer)
    chi = (np.log(0.5 / phi) - (1 - phi)) / (1 - phi) ** 2
    w = 0.1
    phi = (w / 997) / (w / 997 + 1 / 1230)
    assert curve.rh_of(w) == pytest.approx(phi * np.exp(1 - phi + chi * (1 - phi) ** 2), rel=1e-12)


@pytest.mark.parametrize(
    ("values", "says"),
    [
        (("langmuir", 0.01), "kind"),
        (("henry", 0.0), "w50"),
        (("henry", np.array([0.01, np.nan])), "w50"),
        (("gab", 0.01, 0.5, 0.7), "GAB"),
        (("gab", 0.01, 4.6, 1.0), "GAB"),
    ],
)
def test_values_out_of_range_are_refused(values, says):
    with pytest.raises(ValueError, match=says):
        Isotherm(*values)
