"""The solver: one spool with all its members through one stretch of air after the other, as compiled loops.

Semi-discrete equations, shell j, with W_j = sum_k g_k v_jk the mean content and v_j0 = w_j the surface's:

    M_j dW_j/dt = G_j (c_j+1 - c_j) - G_j-1 (c_j - c_j-1),   c_j = RH(w_j) c_sat(T_j),
    dv_jk/dt = (D(T_j) / a²) rate_k (w_j - v_jk).

Time: the two-stage, stiffly accurate diagonally implicit Runge-Kutta method of order 2 [1]. Eliminating the
inner contents leaves one tridiagonal system in c per stage, solved exactly for a straight isotherm and with
a few Newton steps for a curved one; w is then taken from the flows, so that water is conserved to rounding
whatever is left of the Newton error. The length of a step follows from the difference between the flows of
both stages, and from what the Newton steps left; all members of a spool take the same steps.

Numba compiles the loops: numpy spent most of its time on the overhead of small arrays. Nothing is
reordered (no fastmath), so that the same input gives the same bits.

References
----------
[1] Alexander, R. (1977), SIAM J. Numer. Anal. 14, 1006-1021.
"""

import numpy as np

from .air import Array
from .filament import PARTS, WEIGHTS
from .kernels import kernel
from .transport import (
    HENRY,
    Members,
    SpoolArrays,
    StageWork,
    Weather,
    rh_and_slope,
    saturation_density,
    set_response,
    set_transport,
    warm,
    warming,
    workroom,
)

GAMMA = 1 - 1 / np.sqrt(2)
AHEAD = (1 - GAMMA) / GAMMA  # how much further the second stage's base is than the first stage came
NEWTON_STEPS = 4
NEWTON_ENOUGH = 0.02  # share of the error allowed in a step
# The flows of both stages times this, over a step, stand for its error: an estimate of order 2 that stays
# bounded where a jump in the air makes the flows of the first moments very large.
DEFECT = 0.1
# An error of this share of the distance from equilibrium is allowed in a step, that distance being taken as
# at least this share of the uptake at 50 % RH.
TOLERANCE = 0.02
LEAST_DISTANCE = 0.3
TEMPERATURE_TOLERANCE = 0.3  # K
LEAST_STEP = 1e-6  # s
# A winding that is no further from the air's temperature is as warm as the air, to this share of its content.
EVEN_K, NEARLY_ONE = 0.2, 1.01
# Error allowed in a step of a forecast in lasting air, whose values are hardly known better (as TOLERANCE).
FORECAST_TOLERANCE = 0.05
# It takes a winding that is no further from the air as having its temperature at once.
AS_WARM_K = 1.0
GROWTH, SHRINKAGE, SAFETY = 4.0, 0.1, 0.9


@kernel
def stage(
    spool: SpoolArrays, members: Members, m: int, outside: float, tau: float, enough: float, work: StageWork
) -> tuple[float, float]:
    """One implicit stage of length tau from work.base, work.w as the guess: M (a w - b) = tau (net flow).

    Leaves w and net in ``work``. Returns the flow through the rim, and how far w is at most from what the
    isotherm wants with those flows [kg/kg]. enough: a Newton correction that needs no further one [kg/kg].
    """
    n = len(work.w)
    # On a rim that is colder than the air's dew point water condenses; liquid water has a humidity of 1.
    outside = min(outside, work.saturation[n - 1])
    curve, saturated = members.curve[m], members.saturated[m]
    for j in range(n):
        b = WEIGHTS[0] * work.base[j, 0]
        for k in range(PARTS - 1):
            b += WEIGHTS[k + 1] * work.share[j, k] * work.base[j, k + 1]
        work.b[j] = b
        work.rh[j], work.slope[j] = rh_and_slope(members.kind, work.w[j], curve, saturated)
    for _ in range(NEWTON_STEPS):
        pivot = 1.0
        for j in range(n):
            beside = tau * work.conductance[j]
            before = tau * work.conductance[j - 1] if j else 0.0
            vapour_density = work.rh[j] * work.saturation[j]
            a = spool.shell_mass[j] * work.a[j]
            capacity = a / (work.slope[j] * work.saturation[j])
            right = spool.shell_mass[j] * work.b[j] - a * work.w[j] + capacity * vapour_density
            if j == n - 1:
                right += beside * outside
            pivot = capacity + beside + before
            if j:
                pivot -= before * work.ratio[j - 1]
                right += before * work.right[j - 1]
            work.ratio[j] = beside / pivot
            work.right[j] = right / pivot
        for j in range(n - 1, -1, -1):
            density = work.right[j]
            if j < n - 1:
                density += work.ratio[j] * work.density[j + 1]
            work.density[j] = density
        largest = 0.0
        for j in range(n):
            change = work.density[j] / work.saturation[j] - work.rh[j]
            change /= work.slope[j]
            work.w[j] += change
            largest = max(largest, abs(change))
            if members.kind != HENRY:
                work.rh[j], work.slope[j] = rh_and_slope(members.kind, work.w[j], curve, saturated)
        if members.kind == HENRY or largest <= enough:
            break
    off = 0.0
    before = 0.0
    through = 0.0
    for j in range(n):
        beyond = work.density[j + 1] if j < n - 1 else outside
        through = work.conductance[j] * (beyond - work.density[j])
        work.net[j] = through - before
        before = through
        if members.kind != HENRY:
            off = max(off, abs((work.density[j] / work.saturation[j] - work.rh[j]) / work.slope[j]))
        mass = spool.shell_mass[j]
        work.w[j] = (mass * work.b[j] + tau * work.net[j]) / (mass * work.a[j])
    return through, off


@kernel
def try_step(
    spool: SpoolArrays,
    members: Members,
    m: int,
    now: Array,
    outside1: float,
    outside2: float,
    h: float,
    even: bool,
    allowed: float,
    first: StageWork,
    last: StageWork,
    new: Array,
) -> tuple[float, float]:
    """One step of length h of one member, from the contents ``now`` into ``new``.

    first, last: the arrays of both stages, with the transport at their ends; outside1, outside2: the
    vapour density around then [kg/m³]; ``allowed``: the error.
    Returns the water that came through the rim [kg] and the step's error [kg/kg].
    """
    n = len(first.w)
    tau = GAMMA * h
    enough = NEWTON_ENOUGH * allowed
    set_response(members, m, tau, even, first)
    for j in range(n):
        first.w[j] = now[j, 0]
        for k in range(PARTS):
            first.base[j, k] = now[j, k]
    through1, off1 = stage(spool, members, m, outside1, tau, enough, first)
    set_response(members, m, tau, even, last)
    for j in range(n):
        w = first.w[j]
        last.w[j] = w
        last.base[j, 0] = now[j, 0] + AHEAD * (w - now[j, 0])
        for k in range(PARTS - 1):
            v = now[j, k + 1]
            last.base[j, k + 1] = v + AHEAD * first.share[j, k] * (w - v)
    through2, off2 = stage(spool, members, m, outside2, tau, enough, last)
    error = 0.0
    for j in range(n):
        w = last.w[j]
        new[j, 0] = w
        for k in range(PARTS - 1):
            v = last.base[j, k + 1]
            new[j, k + 1] = v + last.share[j, k] * (w - v)
        error = max(error, abs(h * DEFECT * (first.net[j] - last.net[j]) / spool.shell_mass[j]))
    crossed = h * ((1 - GAMMA) * through1 + GAMMA * through2)
    return crossed, error + off1 + off2


@kernel
def between(ends: Array, share: float) -> float:
    """Linear interpolation between a stretch's start and its end."""
    return ends[0] + share * (ends[1] - ends[0])


@kernel
def shell_mean(parts: Array) -> float:
    """Mean content of a shell from its parts [kg/kg]."""
    mean = 0.0
    for k in range(PARTS):
        mean += WEIGHTS[k] * parts[k]
    return mean


@kernel
def run(
    spool: SpoolArrays,
    members: Members,
    weather: Weather,
    contents: Array,
    temperature: Array,
    step: float,
    heat: bool,
    tolerance: float,
    profiles: Array,
    temperatures: Array,
) -> tuple[float, Array]:
    """Take a spool through all its stretches; contents (members, shells, parts) and temperature are changed.

    heat: whether the winding warms by conduction; without, it has the air's temperature at once.
    profiles (stretches, members, shells), temperatures (stretches, shells): filled where they have room.

    Returns the step that goes well [s] and the water that crossed the rim (members,) [kg]; a step below 0
    where none is short enough.
    """
    count, n = contents.shape[0], contents.shape[1]
    first, last = workroom(n), workroom(n)
    new = np.empty_like(contents)
    crossing = np.zeros(count)
    crossed = np.zeros(count)
    allowed = np.zeros(count)
    t1, t2, ahead = np.empty(n), np.empty(n), np.empty(n)
    for s in range(len(weather.duration)):
        film, duration = weather.film[s], weather.duration[s]
        for m in range(count):
            distance = LEAST_DISTANCE * members.w50[m]
            for j in range(n):
                distance = max(distance, abs(shell_mean(contents[m, j]) - weather.equilibrium[s, m]))
            allowed[m] = tolerance * distance
        remaining = duration
        while remaining > 0:
            steps = np.ceil(remaining / step)
            h = remaining / steps
            at1 = 1 - (remaining - GAMMA * h) / duration
            at2 = 1 - (remaining - h) / duration
            air1, air2 = between(weather.temperature[s], at1), between(weather.temperature[s], at2)
            outside1 = between(weather.rh[s], at1) * saturation_density(air1)
            outside2 = between(weather.rh[s], at2) * saturation_density(air2)
            error = 0.0
            if heat:
                warm(spool, air1, film, temperature, GAMMA * h, first, t1)
                for j in range(n):
                    ahead[j] = temperature[j] + AHEAD * (t1[j] - temperature[j])
                warm(spool, air2, film, ahead, GAMMA * h, last, t2)
                for j in range(n):
                    defect = warming(spool, air1, film, t1, j) - warming(spool, air2, film, t2, j)
                    off = abs(h * DEFECT * defect / spool.heat_capacity[j])
                    error = max(error, off / TEMPERATURE_TOLERANCE)
            else:
                t1[:], t2[:] = air1, air2
            set_transport(spool, t1, first)
            set_transport(spool, t2, last)
            for m in range(count):
                crossing[m], off = try_step(
                    spool,
                    members,
                    m,
                    contents[m],
                    outside1,
                    outside2,
                    h,
                    not heat,
                    allowed[m],
                    first,
                    last,
                    new[m],
                )
                # An error that is no number comes from a step far too long.
                error = max(error, off / allowed[m]) if off == off else np.inf
                if error > 1:
                    break
            accepted = error <= 1
            if accepted:
                contents[:] = new
                crossed += crossing
                temperature[:] = t2
                remaining = remaining - h if steps > 1 else 0.0
            factor = min(max(SAFETY / np.sqrt(max(error, 1e-9)), SHRINKAGE), GROWTH)
            # A step cut short by the end of a stretch says nothing against a longer one.
            step = max(h * factor, step) if accepted and steps <= 1 else h * factor
            if step < LEAST_STEP:
                return -1.0, crossed
        if len(profiles):
            temperatures[s] = temperature
            for m in range(count):
                for j in range(n):
                    profiles[s, m, j] = shell_mean(contents[m, j])
    return step, crossed


@kernel
def advance_until_decided(
    spool: SpoolArrays,
    members: Members,
    weather: Weather,
    contents: Array,
    temperature: Array,
    step: float,
    tolerance: float,
    shares: Array,
    limits: Array,
    allowed: int,
    min_probes: int,
    outer_contents: Array,
) -> int:
    """Advance a spool in constant air, probe by probe, until it is decided when it rises over its limits.

    shares (shells,): of each shell in the outer turns. limits: of their content [kg/kg]. allowed: so many members
    may be over a limit. min_probes: are computed in any case. outer_contents (probes, members): filled with the
    contents of the outer turns. In a winding as warm as the air contents never rise above the wettest part
    and the equilibrium with the air, so a limit above both is never crossed.

    Returns the number of probes; below 0 where no step is short enough.
    """
    count, n = contents.shape[0], contents.shape[1]
    nothing, no_temperatures = np.empty((0, count, n)), np.empty((0, n))
    heat = np.abs(temperature - weather.temperature[0, 0]).max() > AS_WARM_K
    for s in range(len(weather.duration)):
        stretch = Weather(
            weather.duration[s : s + 1],
            weather.film[s : s + 1],
            weather.temperature[s : s + 1],
            weather.rh[s : s + 1],
            weather.equilibrium[s : s + 1],
        )
        step, _ = run(
            spool,
            members,
            stretch,
            contents,
            temperature,
            step,
            heat,
            tolerance,
            nothing,
            no_temperatures,
        )
        if step < 0:
            return -1
        for m in range(count):
            content = 0.0
            for j in range(n):
                content += shares[j] * shell_mean(contents[m, j])
            outer_contents[s, m] = content
        if s + 1 < min_probes:
            continue
        # Water moves from warm turns to cold ones, and may then rise above what the air alone gives them.
        uneven = np.abs(temperature - weather.temperature[s, 1]).max() > EVEN_K
        undecided = False
        for limit in limits:
            over = possible = 0
            for m in range(count):
                over += outer_contents[s, m] > limit
                wettest = max(weather.equilibrium[s, m], contents[m].max())
                possible += uneven or wettest * NEARLY_ONE > limit
            undecided = undecided or over <= allowed < possible
        if not undecided:
            return s + 1
    return len(weather.duration)
