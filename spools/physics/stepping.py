"""The solver: many spools with all their members at once, each spool at its own pace.

Semi-discrete equations, shell j, with W_j = sum_k g_k v_jk the mean content and v_j0 = w_j the surface's:

    M_j dW_j/dt = G_j (c_j+1 - c_j) - G_j-1 (c_j - c_j-1),   c_j = RH(w_j) c_sat(T_j),
    dv_jk/dt = (D(T_j) / a²) rate_k (w_j - v_jk).

Time: the two-stage, stiffly accurate diagonally implicit Runge-Kutta method of order 2 [1]. Eliminating the
inner contents leaves one tridiagonal system in c per stage, solved exactly for a straight isotherm and with
a few Newton steps for a curved one; w is then taken from the flows, so that water is conserved to rounding
whatever is left of the Newton error. The length of a step follows from the difference between the flows of
both stages, and from what the Newton steps left. Every operation acts on each column (a member
of a spool) alone, and the step on each spool alone, so a result does not depend on what else is computed
with it.

Arrays here: (shells, columns) and (contents, shells, columns); columns are the members of all spools side by
side. Temperatures are (shells, lanes), a lane being a spool, or (1, lanes) where all shells have one.

References
----------
[1] Alexander, R. (1977), SIAM J. Numer. Anal. 14, 1006-1021.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from . import air, filament
from .air import Array
from .isotherm import Isotherm

Integers = NDArray[np.int_]
Booleans = NDArray[np.bool_]

GAMMA = 1 - 1 / np.sqrt(2)
AHEAD = (1 - GAMMA) / GAMMA  # how much further the second stage's base is than the first stage came
NEWTON_STEPS = 2
# The flows of both stages times this, over a step, stand for its error: an estimate of order 2 that stays
# bounded where a jump in the air makes the flows of the first moments very large.
DEFECT = 0.1
# An error of this share of the distance from equilibrium is allowed in a step, that distance being taken as
# at least this share of the uptake at 50 % RH.
TOLERANCE = 0.01
LEAST_DISTANCE = 0.3
TEMPERATURE_TOLERANCE = 0.3  # K
LEAST_STEP = 1e-6  # s
GROWTH, SHRINKAGE, SAFETY = 4.0, 0.1, 0.9
COMPACT_AT = 0.2  # share of lanes that are done and carried along


@dataclass
class Columns:
    """Spools side by side, and where each of them is."""

    # By column.
    lane: Integers  # which lane a column belongs to
    original: Integers  # its place in what was asked for
    d23: Array
    e_d: Array
    radius2: Array  # the filament's radius squared [m²]
    shell_mass: Array  # (shells, columns) [kg]
    contents: Array  # (parts, shells, columns)
    crossed: Array  # water that has come in through the rim [kg]
    distance: Array  # from equilibrium when the stretch began [kg/kg]
    outside: Array  # vapour density around [kg/m³]
    conductances: Array  # (shells, columns) from middle to middle, the pores' share included [m]
    # By lane.
    original_lane: Integers  # its place in what was asked for
    heat_capacity: Array  # (shells, lanes) [J/K]
    heat_conductance: Array  # (shells, lanes) [W/K], the last one up to the rim, without the film
    rim_area: Array  # [m²]
    temperature: Array  # (shells or 1, lanes)
    step: Array  # that is likely to go well [s]
    remaining: Array  # of the stretch [s]
    stretch: Integers  # the one it is in
    stretches: Integers  # how many it has
    durations: Array  # (stretches, lanes) [s]; so are the next three
    air_temperature: Array
    air_rh: Array
    film: Array  # heat transfer at the rim [W/m²/K]

    BY_COLUMN = (
        *("lane", "original", "d23", "e_d", "radius2", "shell_mass"),
        *("contents", "crossed", "distance", "outside", "conductances"),
    )

    def now(self, name: str) -> Array:
        """One of the tables of stretches, for the stretch that each lane is in."""
        at = np.minimum(self.stretch, self.stretches - 1)
        return getattr(self, name)[at, np.arange(len(at))]

    def keep(self, lanes: Integers) -> "Columns":
        """Only these lanes (ascending) with their columns."""
        number = np.full(len(self.step), -1)
        number[lanes] = np.arange(len(lanes))
        columns = np.flatnonzero(number[self.lane] >= 0)
        chosen = {
            field.name: np.ascontiguousarray(
                getattr(self, field.name)[..., columns if field.name in self.BY_COLUMN else lanes]
            )
            for field in fields(self)
        }
        chosen["lane"] = number[chosen["lane"]]
        return Columns(**chosen)


@dataclass(frozen=True)
class Transport:
    """What the temperature makes of the transport coefficients, by column; (shells or 1, columns)."""

    rate: Array  # D / a² [1/s]
    saturation: Array  # saturated vapour density in the shell [kg/m³]
    conductance: Array  # to the next shell outwards [m³/s]


def transport(c: Columns, temperature: Array) -> Transport:
    rate = filament.diffusivity(c.d23, c.e_d, temperature[:, c.lane]) / c.radius2
    saturation = air.saturation_density(temperature)[:, c.lane]
    faces = temperature
    if len(temperature) > 1:
        faces = np.concatenate([(temperature[1:] + temperature[:-1]) / 2, temperature[-1:]])
    conductance = c.conductances * air.vapour_diffusivity(faces)[:, c.lane]
    return Transport(rate, saturation, conductance)


def inflow(tr: Transport, density: Array, outside: Array) -> tuple[Array, Array]:
    """Net mass flow into each shell (shells, columns), and through the rim (columns,) [kg/s]."""
    across = np.empty_like(density)
    across[:-1] = density[1:] - density[:-1]
    across[-1] = outside - density[-1]
    across *= tr.conductance
    net = across.copy()
    net[1:] -= across[:-1]
    return net, across[-1]


def tridiagonal(diagonal: Array, beside: Array, right: Array) -> Array:
    """Solve diagonal[j] x[j] - beside[j] x[j+1] - beside[j-1] x[j-1] = right[j] for every column."""
    n = len(diagonal)
    ratio, x = np.empty_like(right), np.empty_like(right)
    pivot = diagonal[0]
    x[0] = right[0] / pivot
    for j in range(1, n):
        ratio[j - 1] = beside[j - 1] / pivot
        pivot = diagonal[j] - beside[j - 1] * ratio[j - 1]
        x[j] = (right[j] + beside[j - 1] * x[j - 1]) / pivot
    for j in range(n - 2, -1, -1):
        x[j] += ratio[j] * x[j + 1]
    return x


def warming(c: Columns, temperature: Array) -> tuple[Array, Array]:
    """Heat flow into each shell, and the conductance to the air, (shells, lanes) and (lanes,) [W], [W/K]."""
    outside, film = c.now("air_temperature"), c.now("film")
    rim = 1 / (1 / c.heat_conductance[-1] + 1 / (film * c.rim_area))
    across = np.empty_like(temperature)
    across[:-1] = c.heat_conductance[:-1] * (temperature[1:] - temperature[:-1])
    across[-1] = rim * (outside - temperature[-1])
    net = across.copy()
    net[1:] -= across[:-1]
    return net, rim


def warm(c: Columns, base: Array, tau: Array) -> Array:
    """Temperatures at the end of one implicit stage of length tau (lanes,) from ``base``."""
    net, rim = warming(c, base)
    beside = tau * np.concatenate([c.heat_conductance[:-1], rim[None]])
    diagonal = c.heat_capacity + beside
    diagonal[1:] += beside[:-1]
    return base + tridiagonal(diagonal, beside, tau * net)


@dataclass(frozen=True)
class Response:
    """How filament answers its surface in one implicit stage: mean' - mean = a w - b, see stage().

    share: (contents, shells or 1, columns), by how much of its distance each content comes nearer to w.
    weighted: the same times the contents' weights. a: (shells or 1, columns).
    """

    share: Array
    weighted: Array
    a: Array

    @classmethod
    def of(cls, rate: Array, tau: Array) -> "Response":
        """For D / a² (shells or 1, columns) over a stage of length tau (columns,)."""
        x = filament.RATES[:, None, None] * (rate * tau)
        share = x / (1 + x)
        weighted = filament.WEIGHTS[1:, None, None] * share
        return cls(share, weighted, filament.WEIGHTS[0] + weighted.sum(0))

    def b(self, contents: Sequence[Array] | Array) -> Array:
        """The contents' part (shells, columns)."""
        b = filament.WEIGHTS[0] * contents[0]
        for weight, content in zip(self.weighted, contents[1:], strict=True):
            b += weight * content
        return b


def stage(
    c: Columns, isotherm: Isotherm, tr: Transport, response: Response, b: Array, guess: Array, tau: Array
) -> tuple[Array, Array, Array, Array]:
    """One implicit stage of length tau (columns,): M (a w - b) = tau (net flow at its end).

    Returns the surface's water content w at its end, the net flow into the shells, that through the rim, and
    how far w is from what the isotherm wants with those flows (shells, columns) [kg/kg].
    """
    # On a rim that is colder than the air's dew point water condenses; liquid water has a humidity of 1.
    outside = np.minimum(c.outside, tr.saturation[-1])
    beside = tau * tr.conductance
    around = beside.copy()
    around[1:] += beside[:-1]
    mass_a, mass_b = c.shell_mass * response.a, c.shell_mass * b
    w = guess
    rh, slope = isotherm.rh_and_slope(w)
    for _ in range(NEWTON_STEPS if isotherm.curved else 1):
        at_w, slope_w = rh * tr.saturation, slope * tr.saturation
        capacity = mass_a / slope_w
        right = mass_b - mass_a * w + capacity * at_w
        right[-1] += beside[-1] * outside
        density = tridiagonal(capacity + around, beside, right)
        w = w + (density - at_w) / slope_w
        if isotherm.curved:
            rh, slope = isotherm.rh_and_slope(w)
    net, through = inflow(tr, density, outside)
    conserving = (mass_b + tau * net) / mass_a
    left = density / tr.saturation - rh if isotherm.curved else np.zeros(1)
    return conserving, net, through, left / slope


@dataclass
class Step:
    """The outcome of a trial step of length h (lanes,) of all lanes, to be taken or not."""

    h: Array
    contents: Array
    temperature: Array
    crossed: Array
    error: Array  # (lanes,), at most 1 where the step is good


def try_step(c: Columns, isotherm: Isotherm, tr: Transport | None, h: Array, tolerance: float) -> Step:
    """One step of the Runge-Kutta method; tr where the temperature stays, None where it is computed too."""
    h_column = h[c.lane]
    tau = GAMMA * h_column
    t2, error_t = c.temperature, np.zeros_like(h)
    if tr is not None:
        first = last = tr
        answer1 = answer2 = Response.of(tr.rate, tau)
    else:
        t1 = warm(c, c.temperature, GAMMA * h)
        t2 = warm(c, c.temperature + AHEAD * (t1 - c.temperature), GAMMA * h)
        defect = DEFECT * (warming(c, t1)[0] - warming(c, t2)[0])
        error_t = np.abs(h * defect / c.heat_capacity).max(0) / TEMPERATURE_TOLERANCE
        first, last = transport(c, t1), transport(c, t2)
        answer1, answer2 = Response.of(first.rate, tau), Response.of(last.rate, tau)
    now = c.contents
    w1, net1, through1, off1 = stage(c, isotherm, first, answer1, answer1.b(now), now[0], tau)
    base = [now[0] + AHEAD * (w1 - now[0])]
    base += [v + (AHEAD * share) * (w1 - v) for v, share in zip(now[1:], answer1.share, strict=True)]
    w2, net2, through2, off2 = stage(c, isotherm, last, answer2, answer2.b(base), w1, tau)
    contents = np.empty_like(now)
    contents[0] = w2
    for to, v, share in zip(contents[1:], base[1:], answer2.share, strict=True):
        np.multiply(share, w2 - v, out=to)
        to += v
    error = np.abs(h_column * DEFECT * (net1 - net2) / c.shell_mass)
    if isotherm.curved:
        error += np.abs(off1) + np.abs(off2)
    starts = np.flatnonzero(np.diff(c.lane, prepend=-1))
    worst = np.maximum.reduceat(error.max(0) / c.distance, starts) / tolerance
    crossed = h_column * ((1 - GAMMA) * through1 + GAMMA * through2)
    return Step(h, contents, t2, crossed, np.maximum(worst, error_t))


def take(c: Columns, step: Step, accepted: Booleans) -> None:
    """Go on with the lanes whose step was accepted."""
    if accepted.all():
        c.contents, c.temperature = step.contents, step.temperature
        c.crossed = c.crossed + step.crossed
        return
    column = accepted[c.lane]
    np.copyto(c.contents, step.contents, where=column)
    c.temperature = np.where(accepted, step.temperature, c.temperature)
    c.crossed = np.where(column, c.crossed + step.crossed, c.crossed)


def enter(c: Columns, isotherm: Isotherm, fresh: Booleans, heat: bool) -> Transport | None:
    """Start the lanes in ``fresh`` on their next stretch; the transport coefficients where they stay."""
    if not heat:
        c.temperature = c.now("air_temperature")[None]
    tr = transport(c, c.temperature)
    rh = c.now("air_rh")[c.lane]
    c.outside = air.vapour_density(c.now("air_temperature"), c.now("air_rh"))[c.lane]
    column = fresh[c.lane]
    mean = (filament.WEIGHTS[:, None, None] * c.contents).sum(0)
    distance = np.abs(mean - isotherm.equilibrium(rh)).max(0)
    c.distance = np.where(column, np.maximum(distance, LEAST_DISTANCE * np.asarray(isotherm.w50)), c.distance)
    return None if heat else tr


@dataclass(frozen=True)
class Record:
    """What there was at the end of each stretch, for what was asked for in its order.

    means: (stretches, shells, columns) [kg/kg]; temperatures: (stretches, shells, lanes) [K].
    """

    means: Array
    temperatures: Array

    @classmethod
    def of(cls, c: Columns) -> "Record":
        stretches, lanes = c.durations.shape
        shells, columns = c.shell_mass.shape
        return cls(np.zeros((stretches, shells, columns)), np.zeros((stretches, shells, lanes)))

    def keep(self, c: Columns, ended: Booleans) -> None:
        """Take note of the lanes whose stretch ended."""
        columns = np.flatnonzero(ended[c.lane])
        mean = (filament.WEIGHTS[:, None, None] * c.contents[..., columns]).sum(0)
        self.means[c.stretch[c.lane[columns]], :, c.original[columns]] = mean.T
        lanes = np.flatnonzero(ended)
        self.temperatures[c.stretch[lanes], :, c.original_lane[lanes]] = c.temperature[:, lanes].T


def run(
    c: Columns, isotherm: Isotherm, heat: bool, tolerance: float, record: Record | None
) -> Iterator[Columns]:
    """Advance all lanes through all their stretches; yields finished lanes, not in any order.

    record: is filled as stretches end.
    """
    everything = isotherm
    fresh = np.ones(len(c.step), bool)
    while True:
        done = c.stretch >= c.stretches
        if done.all():
            yield c
            return
        if done.mean() > COMPACT_AT:
            yield c.keep(np.flatnonzero(done))
            c, fresh = c.keep(np.flatnonzero(~done)), fresh[~done]
            isotherm = everything.chosen(c.original)
            done = done[~done]
            tr = enter(c, isotherm, fresh, heat)
        elif fresh.any():
            tr = enter(c, isotherm, fresh, heat)
        steps = np.ceil(c.remaining / c.step)
        h = np.where(done, 0.0, c.remaining / np.maximum(steps, 1))
        step = try_step(c, isotherm, tr, h, tolerance)
        accepted = (step.error <= 1) & ~done
        take(c, step, accepted)
        # An error that is no number comes from a step far too long.
        error = np.where(np.isnan(step.error), np.inf, np.maximum(step.error, 1e-9))
        factor = np.clip(SAFETY / np.sqrt(error), SHRINKAGE, GROWTH)
        # A step cut short by the end of a stretch says nothing against a longer one.
        wanted = np.where(accepted & (steps <= 1), np.maximum(h * factor, c.step), h * factor)
        c.step = np.where(done, c.step, wanted)
        if c.step.min() < LEAST_STEP:
            raise FloatingPointError("No time step is short enough for these values; one must be absurd.")
        c.remaining = np.where(accepted, c.remaining - h, c.remaining)
        fresh = accepted & (steps <= 1)
        if fresh.any():
            if record is not None:
                record.keep(c, fresh)
            c.stretch = c.stretch + fresh
            c.remaining = np.where(fresh, c.now("durations"), c.remaining)
            fresh = fresh & (c.stretch < c.stretches)
