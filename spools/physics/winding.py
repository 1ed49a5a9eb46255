"""One spool: water vapour diffusing through the pores of a winding and soaked up on its way.

Henry's diffusion with absorption (1939), for a porous annulus whose core and flanges are closed and whose
outer turns are open to the air:

    (1 - eps) rho d(mean w)/dt = (1/r) d/dr ( r D_p dc/dr ),    c = RH(w_surface, T) p_ws(T) M_w/(R T)
    D_p = D_air(T) eps/(2 - eps)    (Maxwell's result for parallel cylinders)

In each shell the filament answers its surface by the modes of filament.py. A step is implicit: the new mean
is affine in the new surface, so it is one tridiagonal solve (a few Newton steps where the isotherm is curved).
Steps are doubled, compared and extrapolated; every spool ("lane") has its own step size and error, so that its
result does not depend on what else is advanced beside it. Heat comes in by conduction, implicit too.

Arrays are shaped (lanes, members, shells[, modes]); a lane's members share its geometry and surroundings.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from . import filament
from .air import saturation_pressure, vapour_density, vapour_diffusivity
from .isotherm import HENRY, Isotherm

Array = NDArray[np.float64]

SHELLS = 10
PORE_FRACTION = 0.3
"""Of a machine-wound spool. Hexagonal packing leaves 9 %, square 21 %; real windings more (practice, no source)."""
TOLERANCE = 5e-3
"""Of the driving difference, for one step."""
HEAT_CAPACITY_J_KG_K = 1600.0
CONDUCTIVITY_W_M_K = 0.12
"""Of the winding: polymer about 0.2, air 0.026, some 30 % pores (derived)."""
FILM_W_M2_K = {False: 8.0, True: 20.0}
"""Still and moved air, convection and radiation together (handbook range 5-10 and 10-30, from memory)."""


@dataclass(frozen=True)
class Geometry:
    """A winding as it lies on its core. Metres, kg/m3 (of the filament)."""

    core_radius_m: float
    outer_radius_m: float
    width_m: float
    filament_radius_m: float
    density_kg_m3: float
    pore_fraction: float = PORE_FRACTION

    def __post_init__(self) -> None:
        if not 0 < self.core_radius_m < self.outer_radius_m:
            raise ValueError("outer_radius_m: must be above core_radius_m, which must be above zero")
        if not (self.width_m > 0 and self.filament_radius_m > 0 and self.density_kg_m3 > 0):
            raise ValueError("width_m, filament_radius_m, density_kg_m3: must be above zero")
        if not 0 < self.pore_fraction < 1:
            raise ValueError("pore_fraction: must lie between 0 and 1")

    @classmethod
    def from_mass(
        cls,
        mass_kg: float,
        *,
        core_radius_m: float,
        width_m: float,
        filament_radius_m: float,
        density_kg_m3: float,
        pore_fraction: float = PORE_FRACTION,
    ) -> Geometry:
        """The winding that a mass of filament makes on a core."""
        area = mass_kg / (density_kg_m3 * (1 - pore_fraction) * np.pi * width_m)
        return cls(
            core_radius_m,
            float(np.sqrt(core_radius_m**2 + area)),
            width_m,
            filament_radius_m,
            density_kg_m3,
            pore_fraction,
        )

    @property
    def mass_kg(self) -> float:
        """Of the filament, without its water."""
        area = np.pi * (self.outer_radius_m**2 - self.core_radius_m**2)
        return float(self.density_kg_m3 * (1 - self.pore_fraction) * area * self.width_m)

    def edges(self, shells: int = SHELLS) -> Array:
        """Radii between the shells, core first, (shells + 1,): finer towards the outer turns."""
        x = np.linspace(0, 1, shells + 1)
        depth = 1 - 0.35 * x - 0.65 * (1 - (1 - x) ** 2)
        return self.core_radius_m + (self.outer_radius_m - self.core_radius_m) * (1 - depth)


@dataclass(frozen=True)
class Material:
    """What the water does in the polymer. Each number a scalar or an array over members."""

    d23_m2_s: ArrayLike
    e_d_j_mol: ArrayLike
    isotherm: Isotherm


@dataclass(frozen=True)
class State:
    """A winding's whole memory: surface (members, shells), modes (members, shells, modes) in kg/kg,
    temperature_k (shells,)."""

    surface: Array
    modes: Array
    temperature_k: Array

    @property
    def profile(self) -> Array:
        """Mean water content of each shell, (members, shells), kg/kg."""
        return self.surface - self.modes @ filament.WEIGHT

    def to_bytes(self) -> bytes:
        """Exact, with a header; see from_bytes."""
        members, shells, modes = self.modes.shape
        arrays = (self.surface, self.modes, self.temperature_k)
        return struct.pack(_HEADER, _FORMAT, members, shells, modes) + b"".join(
            np.ascontiguousarray(array, dtype="<f8").tobytes() for array in arrays
        )

    @classmethod
    def from_bytes(cls, data: bytes) -> State:
        """Raises ValueError on anything that to_bytes did not write."""
        size = struct.calcsize(_HEADER)
        if len(data) < size:
            raise ValueError("not a stored winding: too short")
        version, members, shells, modes = struct.unpack(_HEADER, data[:size])
        numbers = members * shells * (1 + modes) + shells
        if version != _FORMAT or modes != filament.MODES or len(data) != size + 8 * numbers:
            raise ValueError(f"not a stored winding of format {_FORMAT}")
        flat = np.frombuffer(data, dtype="<f8", offset=size)
        surface, rest = np.split(flat, [members * shells])
        return cls(
            surface.reshape(members, shells),
            rest[:-shells].reshape(members, shells, modes),
            rest[-shells:],
        )


_HEADER, _FORMAT = "<4H", 1


def uniform(material: Material, w0: ArrayLike, temperature_k: float, shells: int = SHELLS) -> State:
    """A winding that has been in one air for long: water content w0 throughout, per member."""
    members = np.broadcast_shapes(
        np.shape(w0), np.shape(material.d23_m2_s), np.shape(material.isotherm.w50), (1,)
    )
    surface = np.repeat(np.broadcast_to(np.asarray(w0, dtype=float), members)[:, None], shells, axis=1)
    return State(surface, np.zeros((*surface.shape, filament.MODES)), np.full(shells, float(temperature_k)))


@dataclass(frozen=True)
class Surroundings:
    """Constant air around a spool for a while; rh 0..1."""

    duration_s: float
    temperature_k: float
    rh: float
    moving_air: bool = False


@dataclass(frozen=True)
class Lane:
    """One spool to advance through its surroundings, in their order."""

    geometry: Geometry
    material: Material
    state: State
    surroundings: Sequence[Surroundings]


@dataclass(frozen=True)
class Advanced:
    """The state after the last surroundings; after each of them; water taken up in all, kg, per member."""

    state: State
    after_each: list[State]
    gained_kg: Array


def outermost(state: State, geometry: Geometry, mass_kg: float) -> Array:
    """Water content of the outermost turns that weigh ``mass_kg``, mass-weighted, (members,), kg/kg."""
    taken = _shell_masses(geometry, state)[::-1].cumsum()
    share = np.diff(np.minimum(taken, min(mass_kg, taken[-1])), prepend=0.0)[::-1]
    if not share.any():
        share[-1] = 1.0
    return (state.profile * share).sum(axis=1) / share.sum()


def mean(state: State, geometry: Geometry) -> Array:
    """Water content of the whole winding, (members,), kg/kg."""
    return outermost(state, geometry, geometry.mass_kg)


def _shell_masses(geometry: Geometry, state: State) -> Array:
    edges = geometry.edges(state.surface.shape[1])
    per_area = geometry.density_kg_m3 * (1 - geometry.pore_fraction) * np.pi * geometry.width_m
    return np.diff(edges**2) * per_area


def resize(state: State, old: Geometry, new: Geometry) -> State:
    """Re-map the state to a winding whose outermost turns were printed (or that has more turns than thought).

    Conservative: each new shell holds what lay between its radii. Turns beyond the old ones are as the old
    outermost shell.
    """
    shells = state.surface.shape[1]
    old_areas, new_areas = old.edges(shells) ** 2, new.edges(shells) ** 2
    old_areas[-1] = max(old_areas[-1], new_areas[-1])
    low = np.maximum(new_areas[:-1, None], old_areas[None, :-1])
    high = np.minimum(new_areas[1:, None], old_areas[None, 1:])
    share = np.maximum(0.0, high - low)
    share /= share.sum(axis=1, keepdims=True)
    return State(
        state.surface @ share.T,
        np.einsum("ij,mjn->min", share, state.modes),
        share @ state.temperature_k,
    )


class _Batch:
    """The constants of some lanes, stacked: the solver's view of them."""

    def __init__(self, lanes: Sequence[Lane], heat: bool):
        shells = lanes[0].state.surface.shape[1]
        members = lanes[0].state.surface.shape[0]
        self.heat = heat
        geometries = [lane.geometry for lane in lanes]
        edges = np.stack([geometry.edges(shells) for geometry in geometries])
        middle = (edges[:, 1:] + edges[:, :-1]) / 2
        packing = np.array([g.density_kg_m3 * (1 - g.pore_fraction) for g in geometries])
        eps = np.array([g.pore_fraction for g in geometries])
        self.volume = packing[:, None] * np.diff(edges**2, axis=1) / 2
        # 1/ln(r2/r1) between the shells' middles, and from the last middle to the rim.
        stations = np.concatenate([middle, edges[:, -1:]], axis=1)
        self.shape_factor = 1 / np.log(stations[:, 1:] / stations[:, :-1])
        self.pores = eps / (2 - eps)
        self.rim = edges[:, -1]
        self.width = 2 * np.pi * np.array([g.width_m for g in geometries])
        self.radius2 = np.array([g.filament_radius_m**2 for g in geometries])[:, None, None]

        def stacked(values: list[ArrayLike]) -> Array:
            return np.stack([np.broadcast_to(np.asarray(v, dtype=float), (members,)) for v in values])[
                :, :, None
            ]

        self.d23 = stacked([lane.material.d23_m2_s for lane in lanes])
        self.e_d = stacked([lane.material.e_d_j_mol for lane in lanes])
        isotherms = [lane.material.isotherm for lane in lanes]
        self.w50 = stacked([isotherm.w50 for isotherm in isotherms])
        groups: dict[tuple, list[int]] = {}
        for number, i in enumerate(isotherms):
            groups.setdefault((i.kind, i.c, i.k, i.polymer_density_kg_m3), []).append(number)
        self.groups = [
            (np.array(rows), Isotherm(kind, self.w50[rows], c, k, density))
            for (kind, c, k, density), rows in groups.items()
        ]
        self.curved = np.array([isotherm.kind != HENRY for isotherm in isotherms])

    def rh_and_slope(self, w: Array) -> tuple[Array, Array]:
        if len(self.groups) == 1:
            return self.groups[0][1].rh_and_slope(w)
        rh, slope = np.empty_like(w), np.empty_like(w)
        for rows, isotherm in self.groups:
            rh[rows], slope[rows] = isotherm.rh_and_slope(w[rows])
        return rh, slope

    def equilibrium_of(self, rows: Array, rh: Array) -> Array:
        """(rows, members) in equilibrium with (rows,)."""
        w = np.empty((len(self.w50), self.w50.shape[1]))
        every = np.zeros(len(self.w50))
        every[rows] = rh
        for lanes, isotherm in self.groups:
            w[lanes] = isotherm.equilibrium(every[lanes, None, None])[:, :, 0]
        return w[rows]


def _tridiagonal(lower: Array, diagonal: Array, upper: Array, right: Array) -> Array:
    """Thomas algorithm along the last axis, for the diagonally dominant systems of implicit diffusion."""
    n = diagonal.shape[-1]
    c, d = np.empty_like(diagonal), np.empty_like(right)
    c[..., 0] = upper[..., 0] / diagonal[..., 0]
    d[..., 0] = right[..., 0] / diagonal[..., 0]
    for i in range(1, n):
        pivot = diagonal[..., i] - lower[..., i] * c[..., i - 1]
        if i < n - 1:
            c[..., i] = upper[..., i] / pivot
        d[..., i] = (right[..., i] - lower[..., i] * d[..., i - 1]) / pivot
    for i in range(n - 2, -1, -1):
        d[..., i] -= c[..., i] * d[..., i + 1]
    return d


@dataclass
class _Memory:
    """The states of some lanes, stacked, and the water taken up, kg/kg shapes as in State."""

    surface: Array
    modes: Array
    temperature: Array
    gained: Array

    def rows(self, index: Array) -> _Memory:
        return _Memory(*(array[index] for array in vars(self).values()))

    def put(self, index: Array, other: _Memory) -> None:
        for mine, theirs in zip(vars(self).values(), vars(other).values(), strict=True):
            mine[index] = theirs

    def profile(self) -> Array:
        return self.surface - self.modes @ filament.WEIGHT


_NEWTON = 25
_CONVERGED = 1e-13


def _warm(batch: _Batch, rows: Array, t: Array, ambient: Array, moving: Array, h: Array) -> Array:
    """Temperatures after one implicit step of heat conduction, (lanes, shells)."""
    if not batch.heat:
        return np.broadcast_to(ambient[:, None], t.shape).copy()
    factor = CONDUCTIVITY_W_M_K * batch.shape_factor[rows]
    film = np.where(moving, FILM_W_M2_K[True], FILM_W_M2_K[False]) * batch.rim[rows]
    factor[:, -1] = 1 / (1 / factor[:, -1] + 1 / film)
    capacity = HEAT_CAPACITY_J_KG_K * batch.volume[rows] / h[:, None]
    lower = np.concatenate([np.zeros((len(h), 1)), -factor[:, :-1]], axis=1)
    upper = np.concatenate([-factor[:, :-1], np.zeros((len(h), 1))], axis=1)
    right = capacity * t
    right[:, -1] += factor[:, -1] * ambient
    diagonal = capacity + factor
    diagonal[:, 1:] += factor[:, :-1]
    return _tridiagonal(lower, diagonal, upper, right)


def _step(batch: _Batch, rows: Array, old: _Memory, air: _Air, h: Array) -> _Memory:
    """One implicit step of h seconds for the given lanes."""
    t = _warm(batch, rows, old.temperature, air.temperature, air.moving, h)
    warm = t[:, None, :]
    d = filament.diffusivity(batch.d23[rows], batch.e_d[rows], warm)
    rate = (d * h[:, None, None] / batch.radius2[rows])[..., None] * filament.ALPHA**2
    decay, ramp = filament.step_factors(rate)
    followed = ramp @ filament.WEIGHT
    kept = old.modes * decay
    # The new mean is  still + (1 - followed) * new surface.
    still = old.surface * followed - kept @ filament.WEIGHT
    before = old.profile()

    saturated = vapour_density(t, 1.0)[:, None, :]
    faces = np.concatenate([(t[:, 1:] + t[:, :-1]) / 2, t[:, -1:]], axis=1)
    flow = vapour_diffusivity(faces) * batch.pores[rows, None] * batch.shape_factor[rows] * h[:, None]
    outward = flow[:, None, :]
    inward = np.concatenate([np.zeros_like(outward[..., :1]), outward[..., :-1]], axis=-1)
    volume = batch.volume[rows][:, None, :]
    c_air = (air.rh * saturation_pressure(air.temperature) / saturation_pressure(t[:, -1]))[
        :, None
    ] * saturated[..., -1]

    x = old.surface
    open_ = np.ones((len(h), 1, 1), dtype=bool)
    for _ in range(_NEWTON):
        rh, slope = _curve(batch, rows, x)
        c, dc = saturated * rh, saturated * slope
        beyond = np.concatenate([c[..., 1:], np.broadcast_to(c_air[..., None], (*c.shape[:2], 1))], axis=-1)
        behind = np.concatenate([c[..., :1], c[..., :-1]], axis=-1)
        residual = (
            volume * (still + (1 - followed) * x - before) - outward * (beyond - c) + inward * (c - behind)
        )
        upper = -outward * np.concatenate([dc[..., 1:], np.zeros_like(dc[..., :1])], axis=-1)
        lower = -inward * np.concatenate([np.zeros_like(dc[..., :1]), dc[..., :-1]], axis=-1)
        change = _tridiagonal(lower, volume * (1 - followed) + (outward + inward) * dc, upper, -residual)
        x = np.where(open_, np.maximum(x + change, 0.0), x)
        size = np.abs(change).max(axis=(1, 2)) / np.maximum(np.abs(x).max(axis=(1, 2)), 1e-12)
        open_ = open_ & ((size > _CONVERGED) & batch.curved[rows])[:, None, None]
        if not open_.any():
            break
    modes = kept + (x - old.surface)[..., None] * ramp
    new = _Memory(x, modes, t, old.gained)
    new.gained = old.gained + ((new.profile() - before) * volume).sum(axis=-1) * batch.width[rows, None]
    return new


def _curve(batch: _Batch, rows: Array, x: Array) -> tuple[Array, Array]:
    rh, slope = np.empty_like(x), np.empty_like(x)
    position = {row: i for i, row in enumerate(rows.tolist())}
    for members, isotherm in batch.groups:
        here = [position[row] for row in members.tolist() if row in position]
        if not here:
            continue
        lanes = rows[here]
        part = replace(isotherm, w50=batch.w50[lanes])
        rh[here], slope[here] = part.rh_and_slope(x[here])
    return rh, slope


@dataclass(frozen=True)
class _Air:
    temperature: Array
    rh: Array
    moving: Array


def _blend(a: Array, b: Array) -> Array:
    return 2 * b - a


def advance(lanes: Sequence[Lane], *, heat: bool = True, tolerance: float = TOLERANCE) -> list[Advanced]:
    """Advance each lane through its own surroundings, all in one vectorised solve.

    All lanes have the same numbers of members and shells. heat=False: the winding has the air's temperature
    at once. tolerance: the error of one step as a share of the driving difference.
    Raises ValueError for negative durations or humidities outside 0..1.
    """
    if not lanes:
        return []
    for lane in lanes:
        for air in lane.surroundings:
            if not (air.duration_s >= 0 and 0 <= air.rh <= 1 and air.temperature_k > 0):
                raise ValueError(f"impossible surroundings: {air}")
    batch = _Batch(lanes, heat)
    count = len(lanes)
    memory = _Memory(
        np.stack([lane.state.surface for lane in lanes]),
        np.stack([lane.state.modes for lane in lanes]),
        np.stack([lane.state.temperature_k for lane in lanes]),
        np.zeros((count, lanes[0].state.surface.shape[0])),
    )
    states: list[list[State]] = [[] for _ in lanes]
    stage = np.zeros(count, dtype=int)
    left = np.zeros(count)
    step = np.full(count, np.inf)

    def enter(lane: int) -> None:
        """Begin the next surroundings of a lane that last."""
        while stage[lane] < len(lanes[lane].surroundings):
            left[lane] = lanes[lane].surroundings[stage[lane]].duration_s
            if left[lane] > 0:
                return
            leave(lane)

    def leave(lane: int) -> None:
        states[lane].append(
            State(memory.surface[lane].copy(), memory.modes[lane].copy(), memory.temperature[lane].copy())
        )
        stage[lane] += 1

    for lane in range(count):
        enter(lane)
    while (rows := np.array([n for n in range(count) if stage[n] < len(lanes[n].surroundings)])).size:
        now = [lanes[n].surroundings[stage[n]] for n in rows]
        air = _Air(
            np.array([a.temperature_k for a in now]),
            np.array([a.rh for a in now]),
            np.array([a.moving_air for a in now]),
        )
        h = np.minimum(step[rows], left[rows])
        old = memory.rows(rows)
        whole = _step(batch, rows, old, air, h)
        half = _step(batch, rows, old, air, h / 2)
        halves = _step(batch, rows, half, air, h / 2)
        error = _error(batch, rows, old, whole, halves, air)
        good = error <= tolerance
        better = _Memory(
            *(_blend(a, b) for a, b in zip(vars(whole).values(), vars(halves).values(), strict=True))
        )
        calm = good & _within(old, halves, better)
        memory.put(rows[calm], better.rows(calm))
        rough = good & ~calm
        memory.put(rows[rough], halves.rows(rough))
        left[rows[good]] -= h[good]
        growth = np.clip(0.9 * np.sqrt(tolerance / np.maximum(error, 1e-12)), 0.2, 5.0)
        limited = good & (h < step[rows])
        step[rows] = np.where(limited, np.maximum(step[rows], h * growth), h * growth)
        for lane in rows[good & (left[rows] <= 0)]:
            leave(lane)
            enter(lane)
    return [
        Advanced(
            State(memory.surface[n], memory.modes[n], memory.temperature[n]), states[n], memory.gained[n]
        )
        for n in range(count)
    ]


def _error(batch: _Batch, rows: Array, old: _Memory, whole: _Memory, halves: _Memory, air: _Air) -> Array:
    """Of the doubled step, as a share of the driving difference, the worst over members and shells."""
    target = batch.equilibrium_of(rows, air.rh)[:, :, None]
    span = np.maximum(np.abs(target - old.surface).max(axis=(1, 2)), 0.02 * batch.w50[rows].max(axis=(1, 2)))
    off = np.maximum(np.abs(halves.surface - whole.surface), np.abs(halves.profile() - whole.profile()))
    return off.max(axis=(1, 2)) / span


def _within(old: _Memory, halves: _Memory, better: _Memory) -> Array:
    """Whether extrapolating kept every lane inside what its two half steps span."""
    inside = np.ones(len(old.surface), dtype=bool)
    for before, plain, mine in (
        (old.surface, halves.surface, better.surface),
        (old.profile(), halves.profile(), better.profile()),
    ):
        low = np.minimum(before.min(axis=2), plain.min(axis=2))[:, :, None]
        high = np.maximum(before.max(axis=2), plain.max(axis=2))[:, :, None]
        inside &= ((mine >= low) & (mine <= high)).all(axis=(1, 2))
    return inside
