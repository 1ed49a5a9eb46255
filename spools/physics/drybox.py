"""A dry box: air, desiccant and spools share the water that leaks in.

    d/dt (V c + m q(RH, T) + sum_j M_j w_j) = V N (c_room - c),   c = RH c_sat(T),
    dw_j/dt = (w_eq,j(RH) - w_j) / lag_j(T),

with the air's volume V, N air changes a second, a desiccant of dry mass m that is in balance with the air at
any time, and each spool as a few contents that relax to the air (a Sorber). A step is implicit: all terms are
straight lines in RH between the points of one grid, so their sum is solved exactly, and the water is counted
by what crosses the walls: none appears or disappears. The box has the room's temperature.

A sealed case without a buffer comes nearer to the room's humidity by half in ln 2 / N; with one in Thomson's
hygrometric half-time [1].

References
----------
[1] Thomson, G. (1977), Stabilization of RH in exhibition cases: hygrometric half-time, Studies in
    Conservation 22, 85-102.
[2] Henry, P. S. H. (1939), Diffusion in absorbing media, Proc. R. Soc. Lond. A 171, 215-241.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import eigh_tridiagonal

from . import filament
from .air import Array, saturation_density, vapour_diffusivity
from .desiccant import Desiccant
from .geometry import Geometry
from .state import Material

DAY_S = 86400.0
# Fine at the dry end, where a molecular sieve's isotherm is steep.
GRID = np.concatenate([[0.0], np.geomspace(1e-6, 0.02, 40), np.linspace(0.03, 1.0, 98)])
# Share of its air that a box exchanges when it is opened. Common practice, no source.
OPENING_SHARE = 0.5
# A winding's slow and quick modes, and a filament's, lumped: (first, one past the last).
WINDING_GROUPS = ((0, 1), (1, 3), (3, 10))
FILAMENT_GROUPS = ((0, 1), (1, 5))
# Humidity at which the slope of a spool's isotherm counts for how fast vapour gets through its pores.
TYPICAL_RH = 0.25
FORECAST_DAYS = 730.0


def half_time_s(air_changes_s: float) -> float:
    """Time in which an empty box comes nearer to its room's humidity by half, from N [1/s] -> [s]."""
    return math.log(2) / air_changes_s


def air_changes_s(half_time_s: float) -> float:
    """The reverse: air changes, from an empty box's half-time [s] -> [1/s]."""
    return math.log(2) / half_time_s


@dataclass(frozen=True)
class Box:
    """volume_m3: of the air. air_changes_s: exchanged with the room [1/s]. dry_kg: of the desiccant."""

    volume_m3: float
    air_changes_s: float
    desiccant: Desiccant
    dry_kg: float

    def held(self, temperature_k: float) -> Array:
        """Water in air and desiccant over GRID [kg]."""
        in_air = self.volume_m3 * float(saturation_density(temperature_k)) * GRID
        return in_air + self.dry_kg * self.desiccant.loading(GRID, temperature_k)

    def rh(self, water_kg: float, temperature_k: float) -> float:
        """Relative humidity when air and desiccant share this water; 1 where some of it is liquid."""
        return float(np.interp(water_kg, self.held(temperature_k), GRID))

    def water(self, rh: float, temperature_k: float) -> float:
        """Water in air and desiccant at this relative humidity [kg]."""
        return float(np.interp(rh, GRID, self.held(temperature_k)))

    def desiccant_water(self, rh: float, temperature_k: float) -> float:
        """Of it, what the desiccant holds [kg]."""
        return self.dry_kg * float(np.interp(rh, GRID, self.desiccant.loading(GRID, temperature_k)))

    def buffered_half_time_s(self, rh: float, temperature_k: float) -> float:
        """Thomson's hygrometric half-time [1] around this humidity, spools left out [s]."""
        per_rh = (self.water(rh + 0.01, temperature_k) - self.water(rh - 0.01, temperature_k)) / 0.02
        empty = self.volume_m3 * float(saturation_density(temperature_k))
        return math.log(2) * per_rh / (empty * self.air_changes_s)


@dataclass(frozen=True)
class Sorbers:
    """Contents that relax to the air of the box, of one spool or of several side by side.

    Attributes
    ----------
    mass_kg: dry filament behind each content, (contents,).
    equilibrium: water content in balance with the air, over GRID, (contents, grid) [kg/kg].
    pore_lag_s, filament_lag_s: what the pores and the filament add to the lag at 23 °C, (contents,) [s].
    e_d_j_mol: activation energy of the filament's part, (contents,) [J/mol].
    """

    mass_kg: Array
    equilibrium: Array
    pore_lag_s: Array
    filament_lag_s: Array
    e_d_j_mol: Array

    def lag_s(self, temperature_k: float) -> Array:
        """Time constants at a temperature, (contents,) [s]."""
        pores = _pore_conductivity(filament.REFERENCE_K) / _pore_conductivity(temperature_k)
        slower = 1 / filament.diffusivity(1.0, self.e_d_j_mol, temperature_k)
        return self.pore_lag_s * pores + self.filament_lag_s * slower

    def balanced(self, rh: float) -> Array:
        """Contents in balance with air of this humidity, (contents,) [kg/kg]."""
        n = int(np.searchsorted(GRID, rh, side="right")) - 1
        if n < 0 or GRID[n] == rh or n == len(GRID) - 1:
            return self.equilibrium[:, max(n, 0)].copy()
        # As numpy.interp does it for one row, for all at once.
        slope = (self.equilibrium[:, n + 1] - self.equilibrium[:, n]) / (GRID[n + 1] - GRID[n])
        return slope * (rh - GRID[n]) + self.equilibrium[:, n]

    def relaxed(self, contents: Array, rh: float, temperature_k: float, duration_s: float) -> Array:
        """Contents after some time in constant air, (contents,) [kg/kg]."""
        followed = -np.expm1(-duration_s / self.lag_s(temperature_k))
        return contents + followed * (self.balanced(rh) - contents)


NOTHING = Sorbers(np.zeros(0), np.zeros((0, len(GRID))), *(np.zeros(0) for _ in range(3)))


def _pore_conductivity(temperature_k: float) -> float:
    """What carries vapour through pores at a difference of relative humidity, up to geometry [kg/m/s]."""
    return float(vapour_diffusivity(temperature_k) * saturation_density(temperature_k))


def sorber(geometry: Geometry, material: Material) -> Sorbers:
    """A spool as a few relaxing contents; the material's values scalar.

    The winding's pores give modes (its shells [2], with the slope of the isotherm at TYPICAL_RH), the
    filament gives its own series; both are lumped keeping weight and mean lag, and a content has a share of
    each and the sum of their lags. Against the full winding the mean content is off by at most 6 % of the
    step (tested for nylon, PETG and PLA).
    """
    slope = float(material.isotherm.equilibrium(TYPICAL_RH).item()) / TYPICAL_RH
    pore_share, pore_rate = _winding_modes(geometry)
    pore_lags = slope / (pore_rate * _pore_conductivity(filament.REFERENCE_K))
    pores = _lumped(pore_share, pore_lags, WINDING_GROUPS)
    share = np.concatenate([filament.WEIGHTS[1:-1], [filament.WEIGHTS[-1] + filament.WEIGHTS[0]]])
    d_a2 = float(np.asarray(material.d23_m2_s).item()) / geometry.filament_radius_m**2
    inner = _lumped(share, 1 / (filament.RATES * d_a2), FILAMENT_GROUPS)
    weights = np.outer(pores[0], inner[0]).ravel()
    equilibrium = material.isotherm.equilibrium(GRID[:, None]).reshape(-1)
    count = len(weights)
    return Sorbers(
        geometry.mass_kg * weights,
        np.broadcast_to(equilibrium, (count, len(GRID))),
        np.repeat(pores[1], len(inner[1])),
        np.tile(inner[1], len(pores[1])),
        np.full(count, float(np.asarray(material.e_d_j_mol).item())),
    )


def _winding_modes(geometry: Geometry) -> tuple[Array, Array]:
    """Shares of the mean content (sum 1) and rates of the pores' modes, slowest first.

    A rate [m/kg] times the pores' conductivity [kg/m/s] over the isotherm's slope gives 1/s.
    """
    masses = geometry.shell_masses()
    carries = geometry.conductances() * geometry.pore_factor
    diagonal = carries.copy()
    diagonal[1:] += carries[:-1]
    root = np.sqrt(masses)
    rates, modes = eigh_tridiagonal(diagonal / masses, -carries[:-1] / (root[:-1] * root[1:]))
    return (root @ modes) ** 2 / masses.sum(), rates


def _lumped(share: Array, lag: Array, groups: Sequence[tuple[int, int]]) -> tuple[Array, Array]:
    """Weight and mean lag of each group."""
    weights = np.array([share[a:b].sum() for a, b in groups])
    return weights, np.array([(share[a:b] * lag[a:b]).sum() for a, b in groups]) / weights


def side_by_side(sorbers: Sequence[Sorbers]) -> Sorbers:
    """Several spools as one set of contents, in their order."""
    if not sorbers:
        return NOTHING
    return Sorbers(
        *(
            np.concatenate([getattr(s, name) for s in sorbers])
            for name in ("mass_kg", "equilibrium", "pore_lag_s", "filament_lag_s", "e_d_j_mol")
        )
    )


@dataclass(frozen=True)
class DryBoxContents:
    """water_kg: in air and desiccant. contents: of the spools, (contents,) [kg/kg]."""

    water_kg: float
    contents: Array


@dataclass(frozen=True)
class Room:
    """A stretch of time in constant room air: [s], [K], relative humidity [0..1], openings of the box."""

    duration_s: float
    temperature_k: float
    rh: float
    openings: int = 0


def step(box: Box, sorbers: Sorbers, state: DryBoxContents, room: Room) -> tuple[DryBoxContents, float]:
    """The state after one implicit step, and the water that came in through walls and lid [kg]."""
    saturated = float(saturation_density(room.temperature_k))
    lid = 0.0
    if room.openings:
        inside = box.rh(state.water_kg, room.temperature_k)
        exchanged = box.volume_m3 * (1 - (1 - OPENING_SHARE) ** room.openings)
        lid = exchanged * saturated * (room.rh - inside)
    leak = box.volume_m3 * saturated * box.air_changes_s * room.duration_s
    followed = -np.expm1(-room.duration_s / sorbers.lag_s(room.temperature_k))
    weights = sorbers.mass_kg * followed
    spools = (weights[:, None] * sorbers.equilibrium).sum(0)
    total = box.held(room.temperature_k) + leak * GRID + spools
    water = state.water_kg + lid
    rh = float(np.interp(water + leak * room.rh + (weights * state.contents).sum(), total, GRID))
    came_in = lid + leak * (room.rh - rh)
    contents = state.contents + followed * (sorbers.balanced(rh) - state.contents)
    taken_up = float((sorbers.mass_kg * (contents - state.contents)).sum())
    return DryBoxContents(water + leak * (room.rh - rh) - taken_up, contents), came_in


def days_until(
    box: Box, sorbers: Sorbers, state: DryBoxContents, room: Room, limit_rh: float, openings_day: float = 0.0
) -> float | None:
    """Days until the box's humidity is above a limit [0..1], if the room stays as it is.

    Steps are a day long, then a week, then four weeks; None where it stays below for FORECAST_DAYS.
    Openings count as the air that they exchange on average.
    """
    leaky = replace(box, air_changes_s=box.air_changes_s + OPENING_SHARE * openings_day / DAY_S)
    days, before = 0.0, box.rh(state.water_kg, room.temperature_k)
    if before > limit_rh:
        return 0.0
    while days < FORECAST_DAYS:
        span = 1.0 if days < 28 else 7.0 if days < 112 else 28.0
        state, _ = step(leaky, sorbers, state, replace(room, duration_s=span * DAY_S, openings=0))
        after = leaky.rh(state.water_kg, room.temperature_k)
        if after > limit_rh:
            return days + span * (limit_rh - before) / (after - before)
        days, before = days + span, after
    return None
