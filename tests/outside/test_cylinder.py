"""Diffusion in cylinders, solid and hollow, and through pores across them, against published numbers."""

import numpy as np
import pytest
from scipy.optimize import brentq

from spools.physics import air, filament
from spools.physics.isotherm import Isotherm
from spools.physics.winding import Geometry, Lane, Material, Surroundings, advance, uniform
from tests.outside.cylinder import lumped_uptake, series_uptake


@pytest.mark.parametrize(
    ("tau", "share"),
    [(0.001, 0.07035889), (0.01, 0.21547394), (0.1, 0.60582419), (0.5, 0.96162129), (1.0, 0.99787045)],
)
def test_uptake_of_a_cylinder(tau, share):
    # Crank (1975), eq. 5.23, computed with 3000 terms.
    assert series_uptake(tau) == pytest.approx(share, abs=2e-8)


@pytest.mark.parametrize(("share", "tau"), [(0.5, 0.063058), (0.9, 0.334413), (0.95, 0.454261)])
def test_times_of_a_cylinder(share, tau):
    found = brentq(lambda t: float(series_uptake(t)) - share, 1e-3, 2)
    assert found == pytest.approx(tau, abs=1e-6)


def test_uptake_begins_with_the_square_root_of_time():
    # Crank (1975), eq. 5.25: 4 sqrt(tau / pi) - tau - ...
    assert series_uptake(1e-5) == pytest.approx(4 * np.sqrt(1e-5 / np.pi) - 1e-5, rel=1e-2)


def test_zeros_of_the_bessel_function():
    # DLMF 10.21, Abramowitz and Stegun table 9.5; the first two contents are kept one by one.
    np.testing.assert_allclose(
        np.sqrt(filament.RATES[:2]), [2.404825557695773, 5.520078110286311], rtol=1e-14
    )


def test_the_lumped_memory_stays_close_to_the_series():
    tau = np.logspace(-4, 0.5, 200)
    np.testing.assert_allclose(lumped_uptake(tau), series_uptake(tau), atol=4.1e-3)
    short = np.logspace(-8, -4, 100)
    # The start of the series: uptake goes with the root of time.
    np.testing.assert_allclose(lumped_uptake(short), 4 * np.sqrt(short / np.pi), atol=6.5e-3)


def test_the_lumped_memory_loses_nothing():
    assert filament.WEIGHTS.sum() == pytest.approx(1, abs=1e-15)
    assert lumped_uptake(50.0) == pytest.approx(1, abs=1e-15)


@pytest.mark.parametrize(("share", "tau"), [(0.5, 0.0377), (0.9, 0.1823), (0.95, 0.2451)])
def test_hollow_cylinder_with_closed_core(share, tau):
    # Core over rim 0.45, tau = D t / rim²; computed. Filament that follows at once leaves only the pores.
    geometry = Geometry(0.045, 0.1, 0.06, 0.3, 0.875e-3, 1200)
    material = Material(1e-3, 0.0, Isotherm("henry", 0.01))
    # Vapour held per vapour in the air makes the winding's diffusivity (Henry 1939).
    kelvin = 296.15
    dw_dc = 0.02 / float(air.saturation_density(kelvin))
    pores = float(air.vapour_diffusivity(kelvin)) * 0.3 / 1.7
    diffusivity = pores / (1200 * 0.7 * dw_dc)
    stretch = Surroundings(tau * 0.1**2 / diffusivity, kelvin, 0.5)
    (outcome,) = advance([Lane(geometry, material, uniform(geometry, material, 0.0, kelvin), [stretch])])
    assert outcome.state.mean(geometry)[0] / 0.01 == pytest.approx(share, abs=0.005)


@pytest.mark.parametrize(("solid", "exact"), [(0.6, 0.246), (0.7, 0.170)])
def test_pores_across_parallel_cylinders(solid, exact):
    # Perrins, McKenzie, McPhedran (1979), hexagonal; Maxwell's result is within a few percent of it.
    geometry = Geometry(0.05, 0.1, 0.06, 1 - solid, 0.875e-3, 1200)
    assert geometry.pore_factor == pytest.approx(exact, rel=0.04)
