"""Dew on a cold spool: heat and vapour together against a fine method of lines, which has a temperature at its surface.

A spool from a cold room comes into a warm and damp one. While its surface is colder than the dew point, the vapour
there is that over liquid water; the solver takes the outermost shell's temperature for that of the surface.
"""

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.sparse import csr_matrix, lil_matrix

from spools.physics.isotherm import Isotherm
from spools.physics.winding import Geometry, Lane, Material, Surroundings, advance, uniform

from .fine_winding import GAS, Fine, Gab, Henry, saturation

SHAPE = (0.05, 0.095, 0.06)
# Of the winding across the turns [W/m/K], of filament [J/kg/K], of still air at the rim [W/m²/K]: common practice, no
# source, as in the solver.
CONDUCTIVITY, HEAT_CAPACITY, FILM = 0.13, 1500.0, 9.0
COLD_K, WARM_K, DAMP = 278.15, 303.15, 0.8
HOURS = [0.25, 1.0, 4.0, 24.0]
NYLON = Isotherm("gab", 0.0235 * 4.6 * 0.384 / ((1 - 0.384) * (1 - 0.384 + 4.6 * 0.384)), 4.6, 0.768)


def run_with_heat(fine: Fine, w0: float) -> list[tuple[np.ndarray, np.ndarray]]:
    """(shell means, temperatures) at HOURS, from COLD_K into air of WARM_K and DAMP."""
    n, m = fine.nodes, fine.shells
    middle = (fine.edges[1:] + fine.edges[:-1]) / 2
    across = 2 * np.pi * fine.width / np.log(np.append(middle[1:], fine.outer) / middle)
    film = FILM * 2 * np.pi * fine.outer * fine.width
    heat = across * CONDUCTIVITY
    outside = DAMP * saturation(WARM_K)

    def slope(_, y):
        w, t = y[: n * m].reshape(m, n), y[n * m :]
        rim_k = (heat[-1] * t[-1] + film * WARM_K) / (heat[-1] + film)
        flow_heat = np.append(heat[:-1] * np.diff(t), film * (WARM_K - rim_k))
        d = fine.d23 * np.exp(-fine.e_d / GAS * (1 / t - 1 / 296.15))
        inward = 2 * fine.faces * d[:, None] * np.diff(w) / np.diff(fine.at) / fine.filament**2
        rate = np.zeros_like(w)
        rate[:, :-1] += inward
        rate[:, 1:] -= inward
        face_k = np.append((t[1:] + t[:-1]) / 2, (t[-1] + rim_k) / 2)
        free = 2.178e-5 * (face_k / 273.15) ** 1.81 * fine.pores / (2 - fine.pores)
        density = fine.curve.rh(w[:, -1]) * np.array([saturation(kelvin) for kelvin in t])
        rim = min(outside, saturation(rim_k))
        flow = across * free * np.diff(np.append(density, rim))
        rate[:, -1] += np.diff(np.append(0.0, flow)) / fine.mass
        warming = np.diff(np.append(0.0, flow_heat)) / (fine.mass * HEAT_CAPACITY)
        return np.concatenate([(rate / fine.share).ravel(), warming])

    start = np.concatenate([np.full(n * m, w0), np.full(m, COLD_K)])
    ends = [3600 * hours for hours in HOURS]
    solved = solve_ivp(
        slope, (0, ends[-1]), start, "BDF", t_eval=ends, jac_sparsity=pattern(n, m), rtol=1e-5, atol=1e-7
    )
    assert solved.success
    return [(y[: n * m].reshape(m, n) @ fine.share, y[n * m :]) for y in solved.y.T]


def pattern(n: int, m: int) -> csr_matrix:
    """Which unknowns act on which."""
    acts = lil_matrix((n * m + m, n * m + m))
    for j in range(m):
        for other in range(max(0, j - 1), min(m, j + 2)):
            acts[j * n : (j + 1) * n, n * m + other] = 1
            acts[n * m + j, n * m + other] = 1
            acts[(j + 1) * n - 1, (other + 1) * n - 1] = 1
        acts[j * n : (j + 1) * n, j * n : (j + 1) * n] = 1
    return acts.tocsr()


@pytest.mark.parametrize(
    ("curve", "isotherm", "d23", "e_d", "density"),
    [
        (Gab(0.0235, 4.6, 0.768), NYLON, 4e-13, 44e3, 1130),
        (Henry(0.0038), Isotherm("henry", 0.0038), 4e-12, 40e3, 1240),
    ],
    ids=["nylon", "quick"],
)
def test_dew_on_a_cold_spool(curve, isotherm, d23, e_d, density):
    fine = Fine(*SHAPE, 0.3, 0.875e-3, density, d23, e_d, curve, 45, 12)
    w0 = float(isotherm.equilibrium(0.2))
    expected = run_with_heat(fine, w0)
    geometry = Geometry(*SHAPE, 0.3, 0.875e-3, density)
    material = Material(d23, e_d, isotherm)
    airs = [Surroundings(3600 * span, WARM_K, DAMP) for span in np.diff([0.0, *HOURS])]
    lane = Lane(geometry, material, uniform(geometry, material, w0, COLD_K), airs)
    (result,) = advance([lane], record=True)
    span = float(isotherm.equilibrium(1.0)) - w0
    for profile, temperature, (at, kelvin) in zip(
        result.profiles[:, 0], result.temperatures, expected, strict=True
    ):
        assert np.abs(profile - fine.averaged(at, geometry.edges())).max() < 0.01 * span
        assert np.abs(temperature[:, 0] - fine.averaged(kelvin, geometry.edges())).max() < 0.2
