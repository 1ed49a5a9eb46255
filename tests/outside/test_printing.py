"""The turns that a job prints against a fine method of lines that loses shell after shell."""

from dataclasses import replace

import numpy as np
import pytest

from spools.physics.isotherm import Isotherm
from spools.physics.printing import print_turns
from spools.physics.winding import Geometry, Lane, Material, Surroundings, advance, uniform

from .fine_winding import Fine, Gab, Henry

DENSITY = 1130
WINDOW_KG = 0.05
SHAPE = 0.05, 0.095, 0.06
NYLON = Isotherm("gab", 0.0235 * 4.6 * 0.384 / ((1 - 0.384) * (1 - 0.384 + 4.6 * 0.384)), 4.6, 0.768)


def print_shells(
    fine: Fine, w: np.ndarray, mass_kg: float, hours: float, rh: float
) -> tuple[list[float], list[float]]:
    """Mass and mean of each shell, printed in the middle of its share of the time, until the mass is printed."""
    masses: list[float] = []
    means: list[float] = []
    at_h = 0.0
    while sum(masses) < mass_kg:
        shell_kg = fine.mass[-1]
        middle_h = hours * (sum(masses) + shell_kg / 2) / mass_kg
        w = fine.advance(w, middle_h - at_h, 23, rh)
        at_h = middle_h
        masses.append(shell_kg)
        means.append(fine.means(w)[-1])
        fine, w = fine.without_outermost_shell(), w[: -fine.nodes]
    return masses, means


@pytest.mark.parametrize(
    ("curve", "isotherm", "d23"),
    [
        pytest.param(Gab(0.0235, 4.6, 0.768), NYLON, 4e-13, id="GAB"),
        pytest.param(Henry(0.0038), Isotherm("henry", 0.0038), 4e-12, id="quick"),
    ],
)
@pytest.mark.parametrize(
    ("past", "mass_kg", "hours", "rh"),
    [
        pytest.param([(100, 23, 0.6)], 0.05, 4, 0.7, id="small"),
        pytest.param([(100, 23, 0.1)], 0.35, 60, 0.7, id="dry spool in a damp room"),
        pytest.param([(1500, 23, 0.7), (8, 60, 0.02)], 0.35, 30, 0.3, id="dry rim, wet core"),
    ],
)
def test_printed_turns_agree_with_shells_that_leave(curve, isotherm, d23, past, mass_kg, hours, rh):
    w0 = float(isotherm.equilibrium(0.1))
    fine = Fine(*SHAPE, 0.3, 0.875e-3, DENSITY, d23, 44e3, curve, shells=50)
    w = np.full(fine.shells * fine.nodes, w0)
    for stretch in past:
        w = fine.advance(w, *stretch)
    masses, means = print_shells(fine, w, mass_kg, hours, rh)
    geometry = Geometry(*SHAPE, 0.3, 0.875e-3, DENSITY)
    material = Material(d23, 44e3, isotherm)
    airs = [Surroundings(h * 3600, c + 273.15, air_rh) for h, c, air_rh in past]
    start = uniform(geometry, material, w0, 296.15)
    state = advance([Lane(geometry, material, start, airs)], heat=False)[0].state
    # The fine winding is as warm as the air at once.
    state = replace(state, temperature_k=np.full_like(state.temperature_k, 296.15))
    lane = Lane(geometry, material, state, [Surroundings(hours * 3600, 296.15, rh)])
    starts_kg, contents = print_turns(lane, mass_kg, WINDOW_KG).windows(WINDOW_KG)
    ends_kg = np.concatenate([[0.0], np.cumsum(masses)])
    water_kg = np.concatenate([[0.0], np.cumsum(np.multiply(masses, means))])
    expected = (
        np.interp(starts_kg + WINDOW_KG, ends_kg, water_kg) - np.interp(starts_kg, ends_kg, water_kg)
    ) / WINDOW_KG
    span = np.ptp(
        [w0, *(float(isotherm.equilibrium(air_rh)) for *_, air_rh in past), float(isotherm.equilibrium(rh))]
    )
    off = (contents[:, 0] - expected) / span
    assert abs(contents.max() - expected.max()) < 0.015 * span
    # The first piece leaves at one time, while the rim of a quick filament changes fastest.
    assert np.abs(off).max() < 0.04
