"""Transport in a winding, as compiled loops: vapour through the pores, heat, the response of the filament.

The coefficients follow from the temperatures of the shells; the solver (stepping.py) takes them per stage.
All functions change the arrays that they are given and allocate nothing. The members of a spool are the last
axis of every array and the innermost loop, which the compiler turns into vector instructions; so these loops
call nothing and branch on nothing that differs between members.
"""

from typing import Any, NamedTuple

import numpy as np

from . import air, isotherm
from .air import GAS_CONSTANT, MOLAR_MASS_WATER, ZERO_C, Array
from .filament import PARTS, RATES, REFERENCE_K, WEIGHTS
from .kernels import kernel

HENRY, GAB, FLORY_HUGGINS = range(3)
LN_ZERO_C = float(np.log(ZERO_C))
# Beyond, D is as good as 0 or endless.
LARGEST_EXPONENT = 40.0


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
    curve: Array  # (5, members), the isotherm's numbers, see isotherm.Isotherm.inverse; GAB: then k and c
    heat: float  # of GAB's first layer [J/mol]
    saturated: Array  # content at 100 % RH [kg/kg]
    kind: int  # of the isotherm
    pore_share: Array  # conductance of the pores over that of the usual winding


class Weather(NamedTuple):
    """The surroundings to come, by stretch.

    The last axis of temperature, rh and chamber has the length 1 where no member's air differs, else one value for each.
    """

    duration: Array  # (stretches,) [s]
    film: Array  # heat transfer at the rim, (stretches,) [W/m²/K]
    temperature: Array  # at the start and at the end, (stretches, 2, 1 or members) [K]
    rh: Array  # likewise [0..1]
    equilibrium: Array  # content in the air of the end, (stretches, members) [kg/kg]
    chamber: Array  # resistance for the vapour between the rim and the air, (stretches, 1 or members) [s/m³]


class StageWork(NamedTuple):
    """Arrays for one stage: (shells, members), some with a row more, share (shells, parts - 1, members)."""

    saturation: Array  # saturated vapour density in each shell [kg/m³]
    dilution: Array  # 1 over that
    conductance: (
        Array  # from the shell below to this one, first 0 and last to the rim, (shells + 1, members) [m³/s]
    )
    warmth: Array  # Arrhenius' exponent per J/mol
    looser: Array  # by which factor GAB's c falls with the temperature
    share: Array  # by how much of its distance each inner content comes nearer to w
    a: Array  # how filament answers its surface: change of the mean = a w - b
    b: Array
    w: Array  # the surface's water content
    net: Array  # flow into each shell [kg/s]
    rh: Array
    rise: Array  # dw/dRH
    density: Array  # of vapour, last that of the air around, (shells + 1, members) [kg/m³]
    ratio: Array  # of the elimination, first 0, (shells + 1, members)
    right: Array
    through: Array  # flow through the rim, (members,) [kg/s]
    off: Array  # how far w is off what the isotherm wants with the flows, (members,) [kg/kg]
    first_off: Array  # the same in the first stage of a step


_gab_inverse: Any = kernel(isotherm.gab_inverse, forceinline=True)
_flory_inverse: Any = kernel(isotherm.flory_inverse, forceinline=True)


@kernel(forceinline=True)
def exponential(x: float) -> float:
    """exp(x), 40 at most on either side: without a branch or a call, to 1e-12 up to 10 and 1e-7 up to 40."""
    x = min(max(x, -LARGEST_EXPONENT), LARGEST_EXPONENT) * (1 / 256)
    y = 1 + x * (1 + x * (1 / 2 + x * (1 / 6 + x * (1 / 24 + x * (1 / 120 + x * (1 / 720))))))
    y *= y
    y *= y
    y *= y
    y *= y
    y *= y
    y *= y
    y *= y
    y *= y
    return y


@kernel(forceinline=True)
def log_from_zero(t: float) -> float:
    """ln(t / 273.15 K) between 173 and 473 K, to 1e-12: without a branch or a call."""
    x = (t - ZERO_C) / (t + ZERO_C)
    z = x * x
    series = 1 / 13 + z * (1 / 15 + z * (1 / 17 + z * (1 / 19)))
    series = 1 / 5 + z * (1 / 7 + z * (1 / 9 + z * (1 / 11 + z * series)))
    return 2 * x * (1 + z * (1 / 3 + z * series))


@kernel(forceinline=True)
def saturation_density(t: float) -> float:
    """air.saturation_density for one temperature."""
    c, logarithm = air.OVER_WATER, LN_ZERO_C + log_from_zero(t)
    water = c[0] / t + c[1] + t * (c[2] + t * (c[3] + t * (c[4] + t * c[5]))) + c[6] * logarithm
    c = air.OVER_ICE
    ice = c[0] / t + c[1] + t * (c[2] + t * (c[3] + t * (c[4] + t * c[5]))) + c[6] * logarithm
    pressure = exponential(ice if t < ZERO_C else water)
    return pressure * (MOLAR_MASS_WATER / GAS_CONSTANT) / t


@kernel(forceinline=True)
def set_isotherm(members: Members, work: StageWork) -> None:
    """Set Isotherm.rh_and_slope for the contents of all shells, the slope as its inverse."""
    n, count = work.w.shape
    w, rh, rise, curve, saturated = work.w, work.rh, work.rise, members.curve, members.saturated
    for j in range(n):
        if members.kind == HENRY:
            for m in range(count):
                rh[j, m] = w[j, m] * curve[0, m]
                rise[j, m] = 1 / curve[0, m]
        elif members.kind == GAB:
            for m in range(count):
                inside = min(max(w[j, m], 0.0), saturated[m])
                p, q, r, k = curve[0, m], curve[1, m], curve[2, m], curve[3, m]
                factor = min(work.looser[j, m], curve[4, m])
                p, q, r = p + (factor - 1) * r * k * k, q - (factor - 1) * 2 * r * k, r * factor
                at, slope = _gab_inverse(inside, p, q, r)
                rh[j, m] = at + slope * (w[j, m] - inside)
                rise[j, m] = 1 / slope
        else:
            for m in range(count):
                inside = min(max(w[j, m], 0.0), saturated[m])
                at, slope = _flory_inverse(inside, curve[0, m], curve[1, m], exponential)
                rh[j, m] = at + slope * (w[j, m] - inside)
                rise[j, m] = 1 / slope


@kernel(forceinline=True)
def set_transport(spool: SpoolArrays, members: Members, temperature: Array, work: StageWork) -> None:
    """Set the transport coefficients at these temperatures, (shells, 1 or members)."""
    n, count = work.w.shape
    columns = temperature.shape[1]
    for j in range(n):
        outer = min(j + 1, n - 1)
        for m in range(columns):
            saturation = saturation_density(temperature[j, m])
            work.saturation[j, m] = saturation
            work.dilution[j, m] = 1 / saturation
        for m in range(columns):
            work.warmth[j, m] = (1 / REFERENCE_K - 1 / temperature[j, m]) * (1 / GAS_CONSTANT)
            face = (temperature[j, m] + temperature[outer, m]) / 2
            free = 2.178e-5 * exponential(1.81 * log_from_zero(face))
            work.conductance[j + 1, m] = spool.conductance[j] * free
            work.looser[j, m] = exponential(members.heat * work.warmth[j, m])
        if columns < count:
            for m in range(1, count):
                work.dilution[j, m] = work.dilution[j, 0]
                work.saturation[j, m] = work.saturation[j, 0]
                work.warmth[j, m] = work.warmth[j, 0]
                work.looser[j, m] = work.looser[j, 0]
                work.conductance[j + 1, m] = work.conductance[j + 1, 0]
        for m in range(count):
            work.conductance[j + 1, m] *= members.pore_share[m]


@kernel(forceinline=True)
def add_chamber(resistance: Array, work: StageWork) -> None:
    """Put a chamber's resistance, (1 or members,) [s/m³], in series with the outermost turns (chamber.py)."""
    n, count = work.w.shape
    last = len(resistance) - 1
    for m in range(count):
        conductance = work.conductance[n, m]
        work.conductance[n, m] = conductance / (1 + conductance * resistance[min(m, last)])


@kernel
def warm(
    spool: SpoolArrays, outside_k: Array, film: float, base: Array, tau: float, ratio: Array, warmed: Array
) -> None:
    """Temperatures at the end of one implicit stage of length tau from ``base``, into ``warmed``.

    base, warmed: (shells, 1 or members); outside_k: (1 or members,); ratio: (shells,), to work in.
    """
    n, columns = base.shape
    for j in range(n):
        beside = tau * heat_conductance(spool, film, j)
        before = tau * heat_conductance(spool, film, j - 1) if j else 0.0
        diagonal = spool.heat_capacity[j] + beside + before
        pivot = diagonal - before * ratio[j - 1] if j else diagonal
        ratio[j] = beside / pivot
        for m in range(columns):
            right = spool.heat_capacity[j] * base[j, m]
            if j == n - 1:
                right += beside * outside_k[m]
            if j:
                right += before * warmed[j - 1, m]
            warmed[j, m] = right / pivot
    for j in range(n - 2, -1, -1):
        for m in range(columns):
            warmed[j, m] += ratio[j] * warmed[j + 1, m]


@kernel
def heat_conductance(spool: SpoolArrays, film: float, j: int) -> float:
    """From shell j outwards, with the film for the last one [W/K]."""
    if j < len(spool.heat_conductance) - 1:
        return spool.heat_conductance[j]
    return 1 / (1 / spool.heat_conductance[j] + 1 / (film * spool.rim_area))


@kernel(forceinline=True)
def largest_defect(
    spool: SpoolArrays, film: float, outside: tuple[Array, Array], warmed: tuple[Array, Array], off: Array
) -> float:
    """How far the heat flows of two stages differ, over the heat capacity of the shell: the largest of all [K/s].

    outside: of each stage, (1 or members,); warmed: (shells, 1 or members); off: (1 or members,), to work in.
    """
    n, columns = warmed[0].shape
    for c in range(columns):
        off[c] = 0.0
    for j in range(n):
        beside = heat_conductance(spool, film, j) / spool.heat_capacity[j]
        before = heat_conductance(spool, film, j - 1) / spool.heat_capacity[j] if j else 0.0
        inner = max(j - 1, 0)
        for c in range(columns):
            gap = warmed[0][j, c] - warmed[1][j, c]
            inward = warmed[0][inner, c] - warmed[1][inner, c]
            outward = outside[0][c] - outside[1][c]
            if j + 1 < n:
                outward = warmed[0][j + 1, c] - warmed[1][j + 1, c]
            off[c] = max(off[c], abs(beside * (outward - gap) - before * (gap - inward)))
    return off.max()


@kernel(forceinline=True)
def set_response(members: Members, tau: float, base: Array, even: bool, work: StageWork) -> None:
    """Set the response of the filament in a stage of length tau from the contents ``base``.

    base: (shells, parts, members); ``even``: all shells are equally warm.
    """
    n, count = work.w.shape
    share, a, b = work.share, work.a, work.b
    for j in range(n):
        if j and even:
            for m in range(count):
                a[j, m] = a[0, m]
            for k in range(PARTS - 1):
                for m in range(count):
                    share[j, k, m] = share[0, k, m]
        else:
            for m in range(count):
                b[j, m] = tau * members.rate[m] * exponential(members.e_d[m] * work.warmth[j, m])
                a[j, m] = WEIGHTS[0]
            for k in range(PARTS - 1):
                rate, weight = RATES[k], WEIGHTS[k + 1]
                for m in range(count):
                    x = rate * b[j, m]
                    part = x / (1 + x)
                    share[j, k, m] = part
                    a[j, m] += weight * part
        for m in range(count):
            b[j, m] = WEIGHTS[0] * base[j, 0, m]
        for k in range(PARTS - 1):
            weight = WEIGHTS[k + 1]
            for m in range(count):
                b[j, m] += weight * share[j, k, m] * base[j, k + 1, m]


@kernel
def workroom(shells: int, members: int) -> StageWork:
    """Arrays for one stage."""
    rows, longer = np.zeros((10, shells, members)), np.zeros((4, shells + 1, members))
    share, single = np.zeros((shells, PARTS - 1, members)), np.zeros((3, members))
    return StageWork(
        *(rows[0], rows[8], longer[0], rows[1], rows[9], share),
        *(rows[2], rows[3], rows[4], rows[5], rows[6], rows[7]),
        *(longer[1], longer[2], longer[3], single[0], single[1], single[2]),
    )
