"""Transport in a winding, as compiled loops: vapour through the pores, heat, the response of the filament.

The coefficients follow from the temperatures of the shells; the solver (stepping.py) takes them per stage.
All functions change the arrays that they are given and allocate nothing.
"""

from typing import Any, NamedTuple

import numpy as np

from . import air, isotherm
from .air import GAS_CONSTANT, MOLAR_MASS_WATER, ZERO_C, Array
from .filament import PARTS, RATES, REFERENCE_K, WEIGHTS
from .kernels import kernel

HENRY, GAB, FLORY_HUGGINS = range(3)


class SpoolArrays(NamedTuple):
    """Numbers that all members share, (shells,) each but for the area."""

    shell_mass: Array  # [kg]
    conductance: Array  # from middle to middle, the last one to the rim, the pores' share included [m]
    heat_capacity: Array  # [J/K]
    heat_conductance: Array  # [W/K], the last one up to the rim, without the film
    rim_area: float  # [m²]


class Members(NamedTuple):
    """Numbers of each member, (members,)."""

    rate: Array  # D / a² at 23 °C [1/s]
    e_d: Array  # [J/mol]
    w50: Array  # [kg/kg]
    curve: Array  # (members, 3), the isotherm's numbers, see isotherm.Isotherm.inverse
    saturated: Array  # content at 100 % RH [kg/kg]
    kind: int  # of the isotherm


class Weather(NamedTuple):
    """The surroundings to come, (stretches,) each."""

    duration: Array  # [s]
    film: Array  # heat transfer at the rim [W/m²/K]
    temperature: Array  # at the start and at the end, (stretches, 2) [K]
    rh: Array  # likewise [0..1]
    equilibrium: Array  # content in the air of the end, (stretches, members) [kg/kg]


class StageWork(NamedTuple):
    """Arrays for one stage of one member: (shells,), share and base (shells, contents)."""

    saturation: Array  # saturated vapour density in each shell [kg/m³]
    conductance: Array  # to the next shell outwards [m³/s]
    warmth: Array  # Arrhenius' exponent per J/mol
    share: Array  # by how much of its distance each inner content comes nearer to w
    a: Array  # how filament answers its surface: change of the mean = a w - b
    b: Array
    base: Array  # contents that the stage starts from
    w: Array  # the surface's water content
    net: Array  # flow into each shell [kg/s]
    rh: Array
    slope: Array  # dRH/dw
    density: Array  # of vapour [kg/m³]
    ratio: Array
    right: Array


_vapour_fit: Any = kernel(air.vapour_pressure_fit)
_gab_inverse: Any = kernel(isotherm.gab_inverse)
_flory_inverse: Any = kernel(isotherm.flory_inverse)


@kernel
def saturation_density(t: float) -> float:
    """air.saturation_density for one temperature."""
    c = air.OVER_ICE if t < ZERO_C else air.OVER_WATER
    return _vapour_fit(t, c) * (MOLAR_MASS_WATER / GAS_CONSTANT) / t


@kernel
def rh_and_slope(kind: int, w: float, curve: Array, saturated: float) -> tuple[float, float]:
    """Isotherm.rh_and_slope for one content of one member."""
    if kind == HENRY:
        return w * curve[0], curve[0]
    inside = min(max(w, 0.0), saturated)
    if kind == GAB:
        rh, slope = _gab_inverse(inside, curve[0], curve[1], curve[2])
    else:
        rh, slope = _flory_inverse(inside, curve[0], curve[1])
    return rh + slope * (w - inside), slope


@kernel
def set_transport(spool: SpoolArrays, temperature: Array, work: StageWork) -> None:
    """Set the transport coefficients at these temperatures."""
    n = len(temperature)
    for j in range(n):
        t = temperature[j]
        work.saturation[j] = saturation_density(t)
        work.warmth[j] = (1 / REFERENCE_K - 1 / t) / GAS_CONSTANT
        face = (t + temperature[j + 1]) / 2 if j + 1 < n else t
        work.conductance[j] = spool.conductance[j] * 2.178e-5 * (face / ZERO_C) ** 1.81


@kernel
def warm(
    spool: SpoolArrays, outside_k: float, film: float, base: Array, tau: float, work: StageWork, warmed: Array
) -> None:
    """Temperatures at the end of one implicit stage of length tau from ``base``, into ``warmed``."""
    n = len(base)
    pivot = 0.0
    for j in range(n):
        beside = tau * heat_conductance(spool, film, j)
        before = tau * heat_conductance(spool, film, j - 1) if j else 0.0
        diagonal = spool.heat_capacity[j] + beside + before
        right = spool.heat_capacity[j] * base[j]
        if j == n - 1:
            right += beside * outside_k
        if j:
            diagonal -= before * work.ratio[j - 1]
            right += before * warmed[j - 1]
        pivot = diagonal
        work.ratio[j] = beside / pivot
        warmed[j] = right / pivot
    for j in range(n - 2, -1, -1):
        warmed[j] += work.ratio[j] * warmed[j + 1]


@kernel
def heat_conductance(spool: SpoolArrays, film: float, j: int) -> float:
    """From shell j outwards, with the film for the last one [W/K]."""
    if j < len(spool.heat_conductance) - 1:
        return spool.heat_conductance[j]
    return 1 / (1 / spool.heat_conductance[j] + 1 / (film * spool.rim_area))


@kernel
def warming(spool: SpoolArrays, outside_k: float, film: float, temperature: Array, j: int) -> float:
    """Heat flow into shell j [W]."""
    n = len(temperature)
    beyond = temperature[j + 1] if j + 1 < n else outside_k
    flow = heat_conductance(spool, film, j) * (beyond - temperature[j])
    if j:
        flow -= heat_conductance(spool, film, j - 1) * (temperature[j] - temperature[j - 1])
    return flow


@kernel
def set_response(members: Members, m: int, tau: float, even: bool, work: StageWork) -> None:
    """Set the response of this member's filament in a stage; ``even``: all shells are equally warm."""
    for j in range(len(work.a)):
        if j and even:
            work.a[j] = work.a[0]
            work.share[j] = work.share[0]
            continue
        relaxed = tau * members.rate[m] * np.exp(members.e_d[m] * work.warmth[j])
        work.a[j] = WEIGHTS[0]
        for k in range(PARTS - 1):
            x = RATES[k] * relaxed
            work.share[j, k] = x / (1 + x)
            work.a[j] += WEIGHTS[k + 1] * work.share[j, k]


@kernel
def workroom(shells: int) -> StageWork:
    """Arrays for one stage."""
    rows = np.zeros((12, shells))
    share, base = np.zeros((shells, PARTS - 1)), np.zeros((shells, PARTS))
    return StageWork(
        *(rows[0], rows[1], rows[2], share, rows[3], rows[4], base),
        *(rows[5], rows[6], rows[7], rows[8], rows[9], rows[10], rows[11]),
    )
