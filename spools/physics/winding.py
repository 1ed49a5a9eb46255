"""A spool: vapour diffuses through the pores between the turns, filament soaks it up on the way.

    (1 - eps) rho d(mean w)/dt = (1/r) d/dr (r D_p dc/dr),   D_p = D_air(T) eps / (2 - eps),

after Henry [1], with the filament's own response (filament.py) on the left and, with heat, radial conduction
warming the turns from the rim. The rim is in equilibrium with the air around (no film for vapour, but the air
of a dryer's chamber holds what the spools give off, chamber.py), or as wet as dew makes it; core and flanges
are closed. The heat that sorption takes or sets free is left out.

    geometry = Geometry.from_mass(1.0, core_radius_m=0.05, width_m=0.06, density_kg_m3=1130)
    material = Material(4e-13, 44e3, Isotherm("gab", 0.028, 4.6, 0.768))
    state = uniform(geometry, material, 0.002, 296.15)
    (outcome,) = advance([Lane(geometry, material, state, [Surroundings(72 * 3600, 296.15, 0.5)])])
    outermost(outcome.state, geometry, 0.1)

References
----------
[1] Henry, P. S. H. (1939), Diffusion in absorbing media, Proc. R. Soc. Lond. A 171, 215-241.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from . import forecasting, stepping, transport
from .air import Array
from .geometry import Geometry
from .isotherm import KINDS, Isotherm
from .state import Material, WindingState, outermost, outermost_mean, outermost_shares, resize, uniform
from .surroundings import Surroundings, join

__all__ = [
    "Geometry",
    "Lane",
    "Material",
    "Surroundings",
    "WindingResult",
    "WindingState",
    "advance",
    "advance_until_crossed",
    "advance_until_decided",
    "join",
    "outermost",
    "resize",
    "uniform",
]

# Heat transfer from air to the rim [W/m²/K], radiation included. Common practice, no source.
STILL_AIR_FILM, MOVED_AIR_FILM = 9.0, 25.0


@dataclass(frozen=True)
class Lane:
    """One spool on its way: its state now and the surroundings to come, in order."""

    geometry: Geometry
    material: Material
    state: WindingState
    surroundings: Sequence[Surroundings]


@dataclass(frozen=True)
class WindingResult:
    """The result of a lane.

    lane: as it began. state: at the end. crossed_kg: water that came in through the rim, (members,). With
    ``record``, at the end of each stretch, else empty: profiles, the mean of each shell, (stretches, members,
    shells) [kg/kg]; temperatures, (stretches, shells, 1 or members) [K].
    """

    lane: Lane
    state: WindingState
    crossed_kg: Array
    profiles: Array
    temperatures: Array

    @property
    def gained_kg(self) -> Array:
        """Water that the filament took up, (members,); what crossed the rim, to rounding."""
        return self.state.water_kg(self.lane.geometry) - self.lane.state.water_kg(self.lane.geometry)


def advance(
    lanes: Sequence[Lane],
    *,
    heat: bool = True,
    tolerance: float = stepping.TOLERANCE,
    temperature_tolerance: float = stepping.TEMPERATURE_TOLERANCE,
    record: bool = False,
) -> list[WindingResult]:
    """Take spools through their surroundings, each through its own.

    A spool's result does not depend on the others in the batch, nor on whether its surroundings are given in one
    call or in several (cut between two stretches), to the bit.

    Parameters
    ----------
    lanes : sequence of Lane
        Any number of spools, of any kinds and numbers of members.
    heat : bool
        Whether the winding warms by conduction; without, it has the temperature of the air at once.
    tolerance : float
        Error allowed in a time step, as a share of the distance from equilibrium.
    temperature_tolerance : float
        The same of the winding's temperatures [K].
    record : bool
        Whether to return the profiles at the end of each stretch.

    Returns
    -------
    list of WindingResult
        One for each lane, in order.

    Raises
    ------
    FloatingPointError
        If no time step is short enough: a value must be absurd.
    """
    return [_advance(lane, heat, (tolerance, temperature_tolerance), record) for lane in lanes]


def _advance(lane: Lane, heat: bool, tolerances: tuple[float, float], record: bool) -> WindingResult:
    geometry, material, airs = lane.geometry, lane.material, lane.surroundings
    contents = lane.state.contents.copy()
    shells, _, members = contents.shape
    weather = _weather(material.isotherm, airs, members)
    temperature, columns = give_room(lane.state.temperature_k, weather)
    recorded = len(airs) if record else 0
    profiles = np.zeros((recorded, members, shells))
    temperatures = np.zeros((recorded, *temperature.shape))
    step_s, columns, crossed_kg = stepping.run(
        spool_arrays(geometry, material),
        member_arrays(geometry, material, members),
        weather,
        contents,
        temperature,
        columns,
        lane.state.step_s,
        heat,
        *tolerances,
        profiles,
        temperatures,
    )
    if step_s < 0:
        raise FloatingPointError("No time step is short enough for these values; one must be absurd.")
    state = WindingState(contents, temperature[:, :columns].copy(), step_s)
    return WindingResult(lane, state, crossed_kg, profiles, temperatures)


def advance_until_crossed(
    lane: Lane,
    looks_s: Sequence[float],
    mass_kg: float | None,
    limits: Sequence[float],
    share: float,
    *,
    below: bool,
    heat: bool = True,
) -> Array:
    """Advance a spool in constant air, from look to look, until the counted turns have crossed each limit.

    Parameters
    ----------
    lane : Lane
        A spool with one stretch of surroundings, whose duration is ignored.
    looks_s : sequence of float
        Times at which the content is computed, rising [s].
    mass_kg : float or None
        Mass of the outermost turns that count [kg]; None: the wettest turns, wherever they are.
    limits : sequence of float
        Limits of their content [kg/kg].
    share : float
        The spool counts as below a limit while at most this share of its members lies above it.
    below : bool
        Whether the content falls below the limits or rises above them.
    heat : bool
        As for advance.

    Returns
    -------
    ndarray
        The contents at the start and at each look until the last limit was crossed, (looks + 1, members) [kg/kg].

    Raises
    ------
    FloatingPointError
        If no time step is short enough: a value must be absurd.
    """
    geometry, material, start = lane.geometry, lane.material, lane.state
    (air,) = lane.surroundings
    profile = start.profile()
    contents = np.empty((len(looks_s) + 1, len(profile)))
    contents[0] = profile.max(-1) if mass_kg is None else outermost_mean(profile, geometry, mass_kg)
    shares = np.empty(0) if mass_kg is None else outermost_shares(geometry, mass_kg)
    weather = _weather(material.isotherm, [air], len(profile))
    temperature, columns = give_room(start.temperature_k, weather)
    looks = forecasting.advance_until_crossed(
        *(spool_arrays(geometry, material), member_arrays(geometry, material, len(profile)), weather),
        np.diff([0.0, *looks_s]),
        *(start.contents.copy(), temperature, columns, start.step_s, heat),
        *(shares, np.array(limits, dtype=float), share * len(profile), below, contents),
    )
    if looks < 0:
        raise FloatingPointError("No time step is short enough for these values; one must be absurd.")
    return contents[: looks + 1]


def advance_until_decided(
    lane: Lane,
    probes_s: Sequence[float],
    mass_kg: float,
    limits: Sequence[float],
    share: float,
    min_probes: Sequence[int],
) -> list[Array]:
    """Advance a spool in each of its surroundings, held constant, until it is decided when it gets too wet.

    Parameters
    ----------
    lane : Lane
        A spool; each of its surroundings starts from its state and stays constant; durations are ignored.
    probes_s : sequence of float
        Times at which the content is computed, rising [s].
    mass_kg : float
        Mass of the outermost turns [kg].
    limits : sequence of float
        Limits of their content [kg/kg].
    share : float
        A limit counts as crossed when more than this share of the members is over it.
    min_probes : sequence of int
        Probes that are computed in any case, a number for each of the surroundings.

    Returns
    -------
    list of ndarray
        For each of the surroundings the contents at the start and at each probe until each limit is crossed or
        cannot be crossed any more, (probes + 1, members) [kg/kg].

    Raises
    ------
    FloatingPointError
        If no time step is short enough: a value must be absurd.
    """
    geometry, material, start = lane.geometry, lane.material, lane.state
    count = start.contents.shape[-1]
    spool = spool_arrays(geometry, material)
    members = member_arrays(geometry, material, count)
    shares = outermost_shares(geometry, mass_kg)
    allowed = math.floor(share * count + 1e-9)
    first = outermost(start, geometry, mass_kg)
    contents_by_air, durations = [], np.diff([0.0, *probes_s])
    for air, at_least in zip(lane.surroundings, min_probes, strict=True):
        weather = _weather(material.isotherm, [air], count)
        temperature, columns = give_room(start.temperature_k, weather)
        probed = np.empty((len(probes_s), count))
        probe_count = forecasting.advance_until_decided(
            *(spool, members, weather, durations, start.contents.copy(), temperature, columns),
            *(start.step_s, forecasting.FORECAST_TOLERANCE, shares),
            *(np.array(limits), allowed, at_least, probed),
        )
        if probe_count < 0:
            raise FloatingPointError("No time step is short enough for these values; one must be absurd.")
        contents_by_air.append(np.concatenate([first[None], probed[:probe_count]]))
    return contents_by_air


def spool_arrays(geometry: Geometry, material: Material) -> transport.SpoolArrays:
    """The numbers that all members share as the solver takes them; forecasts need the same again and again."""
    if geometry not in material.prepared_spools:
        material.prepared_spools[geometry] = _prepare_spool(geometry, material)
    return material.prepared_spools[geometry]


def _prepare_spool(geometry: Geometry, material: Material) -> transport.SpoolArrays:
    masses, conductances = geometry.shell_masses(), geometry.conductances()
    return transport.SpoolArrays(
        shell_mass=masses,
        conductance=conductances * geometry.pore_factor,
        heat_capacity=masses * material.heat_capacity_j_kg_k,
        heat_conductance=conductances * material.conductivity_w_m_k,
        rim_area=2 * math.pi * geometry.outer_radius_m * geometry.width_m,
    )


def rim_film(moving_air: bool) -> float:
    """Heat transfer from air to the rim [W/m²/K]."""
    return MOVED_AIR_FILM if moving_air else STILL_AIR_FILM


def give_room(temperature_k: Array, weather: transport.Weather) -> tuple[Array, int]:
    """A copy of temperatures with a column for each member where the air's may differ, and the columns in use."""
    columns = temperature_k.shape[1]
    room = np.empty((len(temperature_k), max(columns, weather.temperature.shape[2])))
    room[:, :columns] = temperature_k
    return room, columns


def member_arrays(geometry: Geometry, material: Material, members: int) -> transport.Members:
    """The numbers of the members as the solver takes them; forecasts of a spool need the same again and again."""
    key = geometry.filament_radius_m, members
    if key not in material.prepared:
        material.prepared[key] = _prepare_members(geometry, material, members)
    return material.prepared[key]


def _prepare_members(geometry: Geometry, material: Material, members: int) -> transport.Members:
    isotherm = material.isotherm

    def each(value: ArrayLike) -> Array:
        return _copy_values(np.broadcast_to(np.asarray(value, dtype=float), (members,)))

    curve = np.zeros((5, members))
    shape = (isotherm.k, isotherm.c) if isotherm.kind == "gab" else ()
    for n, number in enumerate([*isotherm.inverse, *shape]):
        curve[n] = number
    return transport.Members(
        rate=each(material.d23_m2_s) / geometry.filament_radius_m**2,
        e_d=each(material.e_d_j_mol),
        w50=each(isotherm.w50),
        curve=curve,
        heat=isotherm.heat_j_mol,
        saturated=each(isotherm.saturated),
        kind=KINDS.index(isotherm.kind),
        pore_share=each(material.pore_share),
    )


def _weather(isotherm: Isotherm, airs: Sequence[Surroundings], members: int) -> transport.Weather:
    if len(airs) == 1:
        return _single_weather(isotherm, airs[0], members)
    rh = _by_stretch([(air.rh, air.later_rh) for air in airs])
    kelvin = _by_stretch([(air.temperature_k, air.later_temperature_k) for air in airs])
    ends, end_k = rh[:, 1], kelvin[:, 1]
    if ends.shape[1] > 1 or end_k.shape[1] > 1:
        equilibrium = isotherm.equilibrium(ends, end_k)
    else:
        # Many stretches of a forecast have the same air; solving a curved isotherm takes as long as some steps.
        pairs, same = np.unique(np.hstack([ends, end_k]), axis=0, return_inverse=True)
        each = isotherm.equilibrium(pairs[:, :1], pairs[:, 1:])
        equilibrium = np.broadcast_to(each, (len(pairs), members))[same]
    return transport.Weather(
        duration=np.array([air.duration_s for air in airs]),
        film=np.array([rim_film(air.moving_air) for air in airs]),
        temperature=kelvin,
        rh=rh,
        equilibrium=_copy_values(equilibrium),
        chamber=_resistances(airs, members),
    )


def _single_weather(isotherm: Isotherm, air: Surroundings, members: int) -> transport.Weather:
    """_weather() of one stretch, as forecasts have it."""
    equilibrium = np.empty((1, members))
    rh, kelvin = air.later_rh, air.later_temperature_k
    if isinstance(rh, np.ndarray) or isinstance(kelvin, np.ndarray):
        equilibrium[0] = isotherm.equilibrium(rh, kelvin)
    else:
        equilibrium[0] = isotherm.equilibrium_at(rh, kelvin)
    chamber = air.chamber
    return transport.Weather(
        duration=np.array([air.duration_s], dtype=float),
        film=np.array([rim_film(air.moving_air)]),
        temperature=np.array([np.broadcast_arrays(*np.atleast_1d(air.temperature_k, kelvin))], dtype=float),
        rh=np.array([np.broadcast_arrays(*np.atleast_1d(air.rh, rh))], dtype=float),
        equilibrium=equilibrium,
        chamber=np.zeros((1, 1))
        if chamber is None
        else chamber.resistance(air.temperature_k, members).reshape(1, -1),
    )


def _resistances(airs: Sequence[Surroundings], members: int) -> Array:
    """Of the chamber in each stretch, (stretches, 1 or members) [s/m³]."""
    each = [
        0.0 if air.chamber is None else air.chamber.resistance(air.temperature_k, members) for air in airs
    ]
    return _by_stretch([(resistance, resistance) for resistance in each])[:, 0].copy()


def _by_stretch(ends: Sequence[tuple[float | Array, float | Array]]) -> Array:
    """Values at the start and end of each stretch, (stretches, 2, 1 or members)."""
    if not any(isinstance(value, np.ndarray) for pair in ends for value in pair):
        return np.array(ends, dtype=float).reshape(-1, 2, 1)
    shape = np.broadcast_shapes(*(np.shape(value) for pair in ends for value in pair))
    return np.array([[np.broadcast_to(value, shape) for value in pair] for pair in ends], dtype=float)


def _copy_values(values: Array) -> Array:
    """A copy of a view. Numba compiles the solver again for read-only arrays, as views by broadcasting are."""
    return np.array(values, order="C")
