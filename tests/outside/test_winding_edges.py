"""Edges of the winding, each against a fine method of lines: small jobs, steep isotherms, slow polymers, quick air."""

import numpy as np
import pytest

from spools.physics.isotherm import Isotherm
from spools.physics.winding import Geometry, Lane, Material, Surroundings, advance, outermost, uniform

from .fine_winding import Fine, Henry, gab

DENSITY = 1130
ONE_KG = Geometry.from_mass(1.0, core_radius_m=0.05, width_m=0.06, density_kg_m3=DENSITY)
FIVE_KG = Geometry.from_mass(5.0, core_radius_m=0.05, width_m=0.1, density_kg_m3=DENSITY)
SWITCHING = [(2, 0.8 if n % 2 == 0 else 0.2) for n in range(8)]
HOURLY = [(1, 0.7 if n % 2 else 0.3) for n in range(8)]


@pytest.mark.parametrize(
    ("geometry", "c", "d23", "start_rh", "airs"),
    [
        pytest.param(ONE_KG, 4.6, 4e-13, 0.05, [(1, 0.75), (5, 0.75), (18, 0.75)], id="wet rim"),
        pytest.param(FIVE_KG, 4.6, 4e-13, 0.05, [(1, 0.75), (5, 0.75), (97, 0.75)], id="wet rim of 5 kg"),
        pytest.param(ONE_KG, 1.0, 4e-13, 0.3, [(2, 0.97), (70, 0.97)], id="steep towards saturation"),
        pytest.param(ONE_KG, 20.0, 4e-13, 0.02, [(2, 0.3), (22, 0.1), (24, 0.97)], id="steep at both ends"),
        pytest.param(ONE_KG, 4.6, 4e-13, 0.2, SWITCHING, id="switching air"),
        pytest.param(ONE_KG, None, 1e-15, 0.5, HOURLY, id="slow, D 1e-15"),
        pytest.param(ONE_KG, None, 1e-16, 0.5, [(1, 0.9), (23, 0.9)], id="slow, D 1e-16"),
    ],
)
@pytest.mark.parametrize("mass_kg", [0.01, 0.05])
def test_a_small_job_has_the_content_of_its_turns(geometry, c, d23, start_rh, airs, mass_kg):
    w50 = 0.028
    isotherm = Isotherm("henry", w50) if c is None else Isotherm("gab", w50, c, 0.768)
    curve = Henry(w50) if c is None else gab(w50, c, 0.768)
    material = Material(d23, 44e3, isotherm)
    w0 = float(isotherm.equilibrium(start_rh))
    surroundings = [Surroundings(hours * 3600, 296.15, rh) for hours, rh in airs]
    state = uniform(geometry, material, w0, 296.15)
    fine = Fine(
        *(geometry.core_radius_m, geometry.outer_radius_m, geometry.width_m, 0.3, 0.875e-3),
        *(DENSITY, d23, 44e3, curve, 60, 24),
    )
    expected = fine.run(w0, [(hours, 23, rh) for hours, rh in airs])
    span = np.ptp([w0, *(float(isotherm.equilibrium(rh)) for _, rh in airs)])
    for air, profile in zip(surroundings, expected, strict=True):
        (outcome,) = advance([Lane(geometry, material, state, [air])], heat=False)
        state = outcome.state
        off = outermost(state, geometry, mass_kg) - fine.outermost(profile, mass_kg)
        assert abs(float(off[0])) < 0.01 * span
