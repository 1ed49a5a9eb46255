"""A dry box: air, desiccant and spools share the water that leaks in.

    d/dt (V c + m q(RH, T) + sum_j M_j w_j) = V N (c_room - c),   c = RH c_sat(T),
    dw_j/dt = (w_eq,j(RH) - w_j) / lag_j(T),

with the air's volume V, N air changes a second, a desiccant of dry mass m that is in balance with the air at
any time, and each spool as a few contents that relax to the air (sorbers.py). A step is implicit: all terms are
straight lines in RH between the points of one grid, so their sum is solved exactly, and the water is counted
by what crosses the walls: none appears or disappears. The box has the room's temperature.

A sealed case without a buffer comes nearer to the room's humidity by half in ln 2 / N; with one in Thomson's
hygrometric half-time [1].

References
----------
[1] Thomson, G. (1977), Stabilization of RH in exhibition cases: hygrometric half-time, Studies in
    Conservation 22, 85-102.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from .air import Array, saturation_density
from .desiccant import Desiccant
from .kernels import kernel
from .sorbers import GRID, Sorbers

DAY_S = 86400.0
# Share of its air that a box exchanges when it is opened. Common practice, no source.
OPENING_SHARE = 0.5
FORECAST_DAYS = 730.0


def half_time_s(air_changes_s: float) -> float:
    """Half-time of an empty box against the humidity of its room.

    Parameters
    ----------
    air_changes_s : float
        Air changes [1/s].

    Returns
    -------
    float
        Half-time [s].
    """
    return math.log(2) / air_changes_s


def air_changes_s(half_time_s: float) -> float:
    """Air changes of an empty box from its half-time.

    Parameters
    ----------
    half_time_s : float
        Half-time [s].

    Returns
    -------
    float
        Air changes [1/s].
    """
    return math.log(2) / half_time_s


@dataclass(frozen=True)
class Box:
    """volume_m3: of the air. air_changes_s: exchanged with the room [1/s]. dry_kg: of the desiccant."""

    volume_m3: float
    air_changes_s: float
    desiccant: Desiccant
    dry_kg: float

    def held(self, temperature_k: float) -> Array:
        """Water in air and desiccant over GRID; kept, do not change the array.

        Parameters
        ----------
        temperature_k : float
            Temperature [K].

        Returns
        -------
        ndarray
            Water [kg], (grid,).
        """
        return _held(self, float(temperature_k))

    def rh(self, water_kg: float, temperature_k: float) -> float:
        """Relative humidity when air and desiccant share an amount of water.

        Parameters
        ----------
        water_kg : float
            Water in both [kg].
        temperature_k : float
            Temperature [K].

        Returns
        -------
        float
            Relative humidity [0..1]; 1 where some of the water is liquid.
        """
        return float(np.interp(water_kg, self.held(temperature_k), GRID))

    def water(self, rh: float, temperature_k: float) -> float:
        """Water in air and desiccant at a relative humidity.

        Parameters
        ----------
        rh : float
            Relative humidity [0..1].
        temperature_k : float
            Temperature [K].

        Returns
        -------
        float
            Water [kg].
        """
        return float(np.interp(rh, GRID, self.held(temperature_k)))

    def desiccant_water(self, rh: float, temperature_k: float) -> float:
        """Water in the desiccant at a relative humidity.

        Parameters
        ----------
        rh : float
            Relative humidity [0..1].
        temperature_k : float
            Temperature [K].

        Returns
        -------
        float
            Water [kg].
        """
        return self.dry_kg * float(np.interp(rh, GRID, self.desiccant.loading(GRID, temperature_k)))

    def buffered_half_time_s(self, rh: float, temperature_k: float) -> float:
        """Thomson's hygrometric half-time [1] around a humidity, without spools.

        Parameters
        ----------
        rh : float
            Relative humidity [0..1].
        temperature_k : float
            Temperature [K].

        Returns
        -------
        float
            Half-time [s].
        """
        per_rh = (self.water(rh + 0.01, temperature_k) - self.water(rh - 0.01, temperature_k)) / 0.02
        empty = self.volume_m3 * float(saturation_density(temperature_k))
        return math.log(2) * per_rh / (empty * self.air_changes_s)


@lru_cache(maxsize=512)
def _held(box: Box, temperature_k: float) -> Array:
    """All steps of a forecast, and all spools of a box, ask for the same."""
    in_air = box.volume_m3 * float(saturation_density(temperature_k)) * GRID
    held = in_air + box.dry_kg * box.desiccant.loading(GRID, temperature_k)
    held.setflags(write=False)
    return held


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
    """One implicit step of a box.

    Parameters
    ----------
    box : Box
        The box.
    sorbers : Sorbers
        The spools inside.
    state : DryBoxContents
        Water at the start.
    room : Room
        The air of the room, the duration and the openings.

    Returns
    -------
    DryBoxContents
        Water at the end.
    float
        Water that came in through walls and lid [kg].
    """
    saturated = float(saturation_density(room.temperature_k))
    lid = 0.0
    if room.openings:
        inside = box.rh(state.water_kg, room.temperature_k)
        exchanged = box.volume_m3 * (1 - (1 - OPENING_SHARE) ** room.openings)
        lid = exchanged * saturated * (room.rh - inside)
    leak = box.volume_m3 * saturated * box.air_changes_s * room.duration_s
    followed = -np.expm1(-room.duration_s / sorbers.lag_s(room.temperature_k))
    held, equilibrium = box.held(room.temperature_k), np.ascontiguousarray(sorbers.equilibrium)
    contents, water = state.contents.astype(float), state.water_kg + lid
    rh, water = _share_water(held, leak, room.rh, sorbers.mass_kg, followed, equilibrium, water, contents)
    return DryBoxContents(water, contents), lid + leak * (room.rh - rh)


def forecast_rh(
    box: Box, sorbers: Sorbers, state: DryBoxContents, room: Room, durations_s: Sequence[float]
) -> Array:
    """Relative humidity in a box after one step after the other, if its room stays as it is.

    Parameters
    ----------
    box : Box
        The box.
    sorbers : Sorbers
        The spools inside.
    state : DryBoxContents
        Water now.
    room : Room
        The air of the room; its duration and its openings do not matter.
    durations_s : sequence of float
        Of each step [s].

    Returns
    -------
    ndarray
        Relative humidity at the end of each step [0..1], (steps,).
    """
    kelvin = room.temperature_k
    leak_s = box.volume_m3 * float(saturation_density(kelvin)) * box.air_changes_s
    durations = np.array(durations_s, dtype=float)
    followed = -np.expm1(-durations[:, None] / sorbers.lag_s(kelvin))
    return _forecast(
        *(box.held(kelvin), leak_s * durations, room.rh, sorbers.mass_kg, followed),
        *(np.ascontiguousarray(sorbers.equilibrium), state.water_kg, state.contents.astype(float)),
    )


@kernel
def _interpolate(x: float, xs: Array, ys: Array) -> float:
    """numpy.interp for one value."""
    n = np.searchsorted(xs, x, side="right") - 1
    if n < 0:
        return ys[0]
    if n >= len(xs) - 1:
        return ys[-1]
    return (ys[n + 1] - ys[n]) / (xs[n + 1] - xs[n]) * (x - xs[n]) + ys[n]


@kernel
def _share_water(
    held: Array,
    leak: float,
    room_rh: float,
    mass: Array,
    followed: Array,
    equilibrium: Array,
    water: float,
    contents: Array,
) -> tuple[float, float]:
    """One implicit step; contents is changed. leak: water that a difference of 1 in RH lets in [kg].

    Returns the humidity that air, leak and spools agree on, and the water in air and desiccant at the end.
    """
    total, known = held + leak * GRID, water + leak * room_rh
    for n in range(len(mass)):
        weight = mass[n] * followed[n]
        total += weight * equilibrium[n]
        known += weight * contents[n]
    rh = _interpolate(known, total, GRID)
    taken_up = 0.0
    for n in range(len(mass)):
        change = followed[n] * (_interpolate(rh, GRID, equilibrium[n]) - contents[n])
        contents[n] += change
        taken_up += mass[n] * change
    return rh, water + leak * (room_rh - rh) - taken_up


@kernel
def _forecast(
    held: Array,
    leaks: Array,
    room_rh: float,
    mass: Array,
    followed: Array,
    equilibrium: Array,
    water: float,
    contents: Array,
) -> Array:
    """leaks (steps,), followed (steps, contents): of each step, as _share_water has them. Humidities, (steps,)."""
    humidities = np.empty(len(leaks))
    for s in range(len(leaks)):
        _, water = _share_water(held, leaks[s], room_rh, mass, followed[s], equilibrium, water, contents)
        humidities[s] = _interpolate(water, held, GRID)
    return humidities


def days_until(
    box: Box, sorbers: Sorbers, state: DryBoxContents, room: Room, limit_rh: float, openings_day: float = 0.0
) -> float | None:
    """Days until the humidity of a box is above a limit, if its room stays as it is.

    Parameters
    ----------
    box : Box
        The box.
    sorbers : Sorbers
        The spools inside.
    state : DryBoxContents
        Water now.
    room : Room
        The air of the room; its duration does not matter.
    limit_rh : float
        Limit [0..1].
    openings_day : float
        Openings a day, taken as the air that they exchange on average.

    Returns
    -------
    float or None
        Days; None where the box stays below the limit for FORECAST_DAYS.

    Notes
    -----
    Steps are a day long, after four weeks a week, after sixteen weeks four weeks.
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
