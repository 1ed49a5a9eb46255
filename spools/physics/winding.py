"""A spool: vapour diffuses through the pores between the turns, filament soaks it up on the way.

    (1 - eps) rho d(mean w)/dt = (1/r) d/dr (r D_p dc/dr),   D_p = D_air(T) eps / (2 - eps),

after Henry [1], with the filament's own response (filament.py) on the left and, with heat, radial conduction
warming the turns from the rim. The rim is in equilibrium with the air around (no film for vapour), or as wet
as dew makes it; core and flanges are closed. The heat that sorption takes or sets free is left out.

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
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from . import isotherm as isotherms
from . import stepping
from .air import Array
from .geometry import Geometry
from .state import Material, State, outermost, resize, uniform

__all__ = [
    "Geometry",
    "Lane",
    "Material",
    "Outcome",
    "State",
    "Surroundings",
    "advance",
    "outermost",
    "resize",
    "uniform",
]

# Heat transfer from air to the rim [W/m²/K], radiation included. Common practice, no source.
STILL_AIR_FILM, MOVED_AIR_FILM = 9.0, 25.0


@dataclass(frozen=True)
class Surroundings:
    """A stretch of time in constant air: [s], [K], relative humidity [0..1], a fan or not."""

    duration_s: float
    temperature_k: float
    rh: float
    moving_air: bool = False

    def __post_init__(self) -> None:
        if not 0 <= self.duration_s < math.inf:
            raise ValueError("A duration must be 0 s or more.")
        if not 173.15 <= self.temperature_k <= 473.15:
            raise ValueError("A temperature must lie between -100 and 200 °C.")
        if not 0 <= self.rh <= 1:
            raise ValueError("A relative humidity must lie between 0 and 1 (0 and 100 %).")


@dataclass(frozen=True)
class Lane:
    """One spool on its way: its state now and the surroundings to come, in order."""

    geometry: Geometry
    material: Material
    state: State
    surroundings: Sequence[Surroundings]


@dataclass(frozen=True)
class Outcome:
    """What became of a lane.

    state: at the end. gained_kg: water that the filament took up, (members,). crossed_kg: water that came in
    through the rim, (members,), the same to rounding. With ``record``, at the end of each stretch, else
    empty: profiles, the mean of each shell, (stretches, members, shells) [kg/kg]; temperatures,
    (stretches, shells) [K].
    """

    state: State
    gained_kg: Array
    crossed_kg: Array
    profiles: Array
    temperatures: Array


def advance(
    lanes: Sequence[Lane],
    *,
    heat: bool = True,
    tolerance: float = stepping.TOLERANCE,
    record: bool = False,
) -> list[Outcome]:
    """Take a batch of spools through their surroundings, each through its own, all in one solve.

    A spool's result does not depend on the others in the batch, nor on whether its surroundings are given in
    one call or in several (cut between two stretches), to the bit.

    Parameters
    ----------
    lanes: any number of spools, of any kinds and numbers of members.
    heat: whether the winding warms by conduction; without, it has the air's temperature at once.
    tolerance: error allowed in a time step, as a share of the distance from equilibrium.
    record: keep the profiles at the end of each stretch.

    Returns: an Outcome per lane, in order. Raises ValueError where surroundings are out of range.
    """
    outcomes: dict[int, Outcome] = {}
    kinds: dict[str, list[int]] = {}
    for n, lane in enumerate(lanes):
        if lane.surroundings:
            kinds.setdefault(lane.material.isotherm.kind, []).append(n)
        else:
            members, shells, _ = lane.state.contents.shape
            nothing = np.zeros(members)
            empty = np.zeros((0, members, shells)), np.zeros((0, shells))
            outcomes[n] = Outcome(lane.state, nothing, nothing, *empty)
    for chosen in kinds.values():
        results = _advance_kind([lanes[n] for n in chosen], heat, tolerance, record)
        outcomes |= zip(chosen, results, strict=True)
    return [outcomes[n] for n in range(len(lanes))]


def _advance_kind(lanes: Sequence[Lane], heat: bool, tolerance: float, record: bool) -> list[Outcome]:
    """The same for lanes that all have surroundings and whose isotherms are of one kind."""
    members = [lane.state.contents.shape[0] for lane in lanes]
    joined = isotherms.joined([lane.material.isotherm for lane in lanes], members)
    columns = _columns(lanes, members)
    kept = stepping.Record.of(columns) if record else None
    results: dict[int, Outcome] = {}
    for part in stepping.run(columns, joined, heat, tolerance, kept):
        ends = np.searchsorted(part.lane, np.arange(len(part.step)), side="right")
        for n, (start, end) in enumerate(zip(np.concatenate([[0], ends[:-1]]), ends, strict=True)):
            asked = int(part.original_lane[n])
            results[asked] = _outcome(lanes[asked], part, n, slice(start, end), kept)
    return [results[n] for n in range(len(lanes))]


def _outcome(
    lane: Lane, part: stepping.Columns, n: int, mine: slice, kept: stepping.Record | None
) -> Outcome:
    contents = np.ascontiguousarray(part.contents[..., mine].transpose(2, 1, 0))
    temperature = np.broadcast_to(part.temperature[:, n], contents.shape[1:2]).copy()
    state = State(contents, temperature, float(part.step[n]))
    profiles, temperatures = np.zeros((0, *contents.shape[:2])), np.zeros((0, contents.shape[1]))
    if kept is not None:
        stretches = slice(len(lane.surroundings))
        of_lane = kept.means[stretches, :, part.original[mine]]
        profiles = np.ascontiguousarray(of_lane.transpose(0, 2, 1))
        temperatures = kept.temperatures[stretches, :, part.original_lane[n]].copy()
    gained = state.water_kg(lane.geometry) - lane.state.water_kg(lane.geometry)
    return Outcome(state, gained, part.crossed[mine].copy(), profiles, temperatures)


def _columns(lanes: Sequence[Lane], members: Sequence[int]) -> stepping.Columns:
    """The lanes side by side, as the solver wants them."""
    lane_of = np.repeat(np.arange(len(lanes)), members)

    def by_member(values: Sequence[ArrayLike]) -> Array:
        return np.concatenate(
            [np.broadcast_to(np.asarray(v, dtype=float), (n,)) for v, n in zip(values, members, strict=True)]
        )

    def by_lane(values: Sequence[ArrayLike]) -> Array:
        return np.ascontiguousarray(np.stack([np.asarray(v, dtype=float) for v in values], axis=-1))

    longest = max(len(lane.surroundings) for lane in lanes)

    def table(read: Callable[[Surroundings], float], absent: float) -> Array:
        rows = [[read(s) for s in lane.surroundings] for lane in lanes]
        return by_lane([row + [absent] * (longest - len(row)) for row in rows])

    shapes = [lane.geometry for lane in lanes]
    materials = [lane.material for lane in lanes]
    contents = np.concatenate([lane.state.contents for lane in lanes])
    shell_mass = by_lane([g.shell_masses() for g in shapes])
    capacity = by_lane([lane.material.heat_capacity_j_kg_k for lane in lanes])
    durations = table(lambda s: s.duration_s, 0.0)
    nothing = np.zeros(len(lane_of))
    return stepping.Columns(
        lane=lane_of,
        original=np.arange(len(lane_of)),
        d23=by_member([m.d23_m2_s for m in materials]),
        e_d=by_member([m.e_d_j_mol for m in materials]),
        radius2=by_member([g.filament_radius_m**2 for g in shapes]),
        shell_mass=shell_mass[:, lane_of],
        contents=np.ascontiguousarray(contents.transpose(2, 1, 0)),
        crossed=nothing,
        distance=nothing,
        outside=nothing,
        original_lane=np.arange(len(lanes)),
        conductances=by_lane([g.conductances() * g.pore_factor for g in shapes])[:, lane_of],
        heat_capacity=shell_mass * capacity,
        heat_conductance=by_lane(
            [g.conductances() * m.conductivity_w_m_k for g, m in zip(shapes, materials, strict=True)]
        ),
        rim_area=by_lane([2 * np.pi * g.outer_radius_m * g.width_m for g in shapes]),
        temperature=by_lane([lane.state.temperature_k for lane in lanes]),
        step=by_lane([lane.state.step_s for lane in lanes]),
        remaining=durations[0].copy(),
        stretch=np.zeros(len(lanes), int),
        stretches=np.array([len(lane.surroundings) for lane in lanes]),
        durations=durations,
        air_temperature=table(lambda s: s.temperature_k, 293.15),
        air_rh=table(lambda s: s.rh, 0.5),
        film=table(lambda s: MOVED_AIR_FILM if s.moving_air else STILL_AIR_FILM, STILL_AIR_FILM),
    )
