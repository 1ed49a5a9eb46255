"""The winding against a fine method of lines, and a thin one against the series of a lone filament."""

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import j0, j1, y0, y1

from spools.physics.isotherm import Isotherm
from spools.physics.winding import (
    STILL_AIR_FILM,
    Geometry,
    Lane,
    Material,
    Surroundings,
    advance,
    uniform,
)
from tests.outside.cylinder import series_uptake

from .fine_winding import Fine, Gab, Henry

WET = 0.002, [(2, 23, 0.5), (22, 23, 0.5), (120, 23, 0.5)]
DRY = 0.028, [(2, 80, 0.029), (6, 80, 0.029), (16, 80, 0.029)]
MIXED = 0.002, [(72, 23, 0.5), (8, 80, 0.029), (24, 30, 0.75), (12, 23, 0.2)]
HUMID = 0.03, [(24, 25, 0.85), (100, 25, 0.85), (12, 70, 0.05)]
SMALL = 0.0215, [(3, 23, 0.5), (24, 23, 0.45), (48, 20, 0.48)]
NYLON = Isotherm("gab", 0.0235 * 4.6 * 0.384 / ((1 - 0.384) * (1 - 0.384 + 4.6 * 0.384)), 4.6, 0.768)
FULL, NEARLY_EMPTY = (0.05, 0.095, 0.06), (0.04, 0.048, 0.06)


@pytest.mark.parametrize("shape", [FULL, NEARLY_EMPTY], ids=["full", "nearly empty"])
@pytest.mark.parametrize(
    ("curve", "isotherm", "d23", "e_d", "density"),
    [
        (Henry(0.028), Isotherm("henry", 0.028), 4e-13, 44e3, 1130),
        (Gab(0.0235, 4.6, 0.768), NYLON, 4e-13, 44e3, 1130),
        (Henry(0.0038), Isotherm("henry", 0.0038), 4e-12, 40e3, 1240),
    ],
    ids=["straight", "GAB", "quick"],
)
@pytest.mark.parametrize(
    "history", [WET, DRY, MIXED, HUMID, SMALL], ids=["wetting", "drying", "mixed", "humid", "small changes"]
)
def test_profiles_agree_with_a_fine_method_of_lines(shape, curve, isotherm, d23, e_d, density, history):
    w0, stretches = history
    w0 *= float(np.asarray(isotherm.w50)) / 0.028
    fine = Fine(*shape, 0.3, 0.875e-3, density, d23, e_d, curve)
    geometry = Geometry(*shape, 0.3, 0.875e-3, density)
    material = Material(d23, e_d, isotherm)
    surroundings = [Surroundings(h * 3600, c + 273.15, rh) for h, c, rh in stretches]
    lane = Lane(geometry, material, uniform(geometry, material, w0, 296.15), surroundings)
    (outcome,) = advance([lane], heat=False, record=True)
    ends = [w0, *(float(isotherm.equilibrium(rh)) for _, _, rh in stretches)]
    share = geometry.shell_masses() / geometry.mass_kg
    for n, expected in enumerate(fine.run(w0, stretches)):
        off = (outcome.profiles[n, 0] - fine.averaged(expected, geometry.edges())) / np.ptp(ends[: n + 2])
        assert abs((off * share).sum()) < 0.01
        assert np.abs(off).max() < 0.01


@pytest.mark.parametrize("hours", [1, 10, 60, 300])
def test_a_thin_winding_is_a_lone_filament(hours):
    # 0.2 mm of winding: its pores reach the air at once. Crank (1975), eq. 5.23.
    geometry = Geometry(0.05, 0.0502, 0.06, 0.3, 0.875e-3, 1130)
    material = Material(4e-13, 44e3, Isotherm("henry", 0.028))
    stretch = Surroundings(hours * 3600, 296.15, 0.5)
    (outcome,) = advance([Lane(geometry, material, uniform(geometry, material, 0.0, 296.15), [stretch])])
    expected = series_uptake(4e-13 * hours * 3600 / 0.875e-3**2)
    np.testing.assert_allclose(outcome.state.profile()[0] / 0.028, expected, atol=0.006)


def test_a_winding_warms_like_a_thick_slab_with_a_film():
    # Carslaw and Jaeger (1959), sec. 7.10: slow mode of a hollow cylinder, core insulated, film at the rim;
    # its time constant found here from the exact condition with Bessel functions.
    geometry = Geometry(0.05, 0.095, 0.06, 0.3, 0.875e-3, 1130)
    material = Material(4e-13, 44e3, Isotherm("henry", 0.028))
    k, film = material.conductivity_w_m_k, STILL_AIR_FILM
    a, b = geometry.core_radius_m, geometry.outer_radius_m

    def condition(m):
        def u(r):
            return j0(m * r) * y1(m * a) - y0(m * r) * j1(m * a)

        def du(r):
            return -m * (j1(m * r) * y1(m * a) - y1(m * r) * j1(m * a))

        return k * du(b) + film * u(b)

    m = brentq(condition, 1, 50)
    heat_capacity = material.heat_capacity_j_kg_k * geometry.density_kg_m3 * 0.7
    rate = k / heat_capacity * m * m
    stretch = Surroundings(3 * 3600, 353.15, 0.03)
    lane = Lane(geometry, material, uniform(geometry, material, 0.02, 293.15), [stretch, stretch])
    (outcome,) = advance([lane], record=True)
    cold = 353.15 - outcome.temperatures[..., 0]
    np.testing.assert_allclose(np.log(cold[0] / cold[1]) / (3 * 3600), rate, rtol=0.02)
