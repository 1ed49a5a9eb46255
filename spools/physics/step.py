"""One step of a winding with all its members, as compiled loops.

Semi-discrete equations, shell j, with W_j = sum_k g_k v_jk the mean content and v_j0 = w_j the surface's:

    M_j dW_j/dt = G_j (c_j+1 - c_j) - G_j-1 (c_j - c_j-1),   c_j = RH(w_j) c_sat(T_j),
    dv_jk/dt = (D(T_j) / a²) rate_k (w_j - v_jk).

Time: the two-stage, stiffly accurate diagonally implicit Runge-Kutta method of order 2 [1]. Eliminating the
inner contents leaves one tridiagonal system in c per stage, solved exactly for a straight isotherm and with
a few Newton steps for a curved one, which all members take together; w is then taken from the flows, so that
water is conserved to rounding whatever is left of the Newton error.

Numba compiles the loops, with the members innermost (see transport.py). Nothing is reordered (no fastmath), so
that the same input gives the same bits.

References
----------
[1] Alexander, R. (1977), SIAM J. Numer. Anal. 14, 1006-1021.
"""

import numpy as np

from .air import Array
from .filament import PARTS
from .kernels import kernel
from .transport import (
    HENRY,
    Members,
    SpoolArrays,
    StageWork,
    add_chamber,
    set_isotherm,
    set_response,
    set_transport,
)

GAMMA = 1 - 1 / np.sqrt(2)
AHEAD = (1 - GAMMA) / GAMMA  # how much further the second stage's base is than the first stage came
NEWTON_STEPS = 4
# The flows of both stages times this, over a step, stand for its error: an estimate of order 2 that stays
# bounded where a jump in the air makes the flows of the first moments very large.
DEFECT = 0.1


@kernel
def stage(
    spool: SpoolArrays, members: Members, base: Array, tau: float, even: bool, enough: Array, work: StageWork
) -> None:
    """One implicit stage of length tau from the contents ``base``, work.w as the guess: M (a w - b) = tau (net flow).

    Leaves w, net, through and off in ``work``. base: (shells, parts, members). enough: a Newton correction that
    needs no further one, (members,) [kg/kg].
    """
    n, count = work.w.shape
    set_response(members, tau, base, even, work)
    # On a rim that is colder than the air's dew point water condenses; liquid water has a humidity of 1.
    for m in range(count):
        work.density[n, m] = min(work.density[n, m], work.saturation[n - 1, m])
    set_isotherm(members, work)
    for _ in range(NEWTON_STEPS):
        eliminate(spool, tau, work)
        substitute(work)
        if members.kind == HENRY:
            break
        set_isotherm(members, work)
        if are_within(work.off, enough):
            break
    take_flows(spool, members, tau, work)


@kernel(forceinline=True)
def are_within(values: Array, limits: Array) -> bool:
    """Whether no value is above its limit."""
    over = 0
    for m in range(len(values)):
        over += values[m] > limits[m]
    return over == 0


@kernel(forceinline=True)
def eliminate(spool: SpoolArrays, tau: float, work: StageWork) -> None:
    """The forward half of the tridiagonal system for the vapour densities; row j + 1 of ratio and right is shell j."""
    n, count = work.w.shape
    conductance, ratio, right = work.conductance, work.ratio, work.right
    for j in range(n):
        mass = spool.shell_mass[j]
        for m in range(count):
            beside, before = tau * conductance[j + 1, m], tau * conductance[j, m]
            answer = mass * work.a[j, m]
            capacity = answer * work.rise[j, m] * work.dilution[j, m]
            known = mass * work.b[j, m] - answer * work.w[j, m]
            known += capacity * (work.rh[j, m] * work.saturation[j, m])
            pivot = 1 / (capacity + beside + before - before * ratio[j, m])
            ratio[j + 1, m] = beside * pivot
            right[j + 1, m] = (known + before * right[j, m]) * pivot


@kernel(forceinline=True)
def substitute(work: StageWork) -> None:
    """The backward half, and the Newton correction of w; work.off: the largest of any shell, (members,)."""
    n, count = work.w.shape
    density, off = work.density, work.off
    for m in range(count):
        off[m] = 0.0
    for j in range(n - 1, -1, -1):
        for m in range(count):
            solved = work.right[j + 1, m] + work.ratio[j + 1, m] * density[j + 1, m]
            density[j, m] = solved
            change = (solved * work.dilution[j, m] - work.rh[j, m]) * work.rise[j, m]
            work.w[j, m] += change
            off[m] = max(off[m], abs(change))


@kernel(forceinline=True)
def take_flows(spool: SpoolArrays, members: Members, tau: float, work: StageWork) -> None:
    """Set net and through from the vapour densities, w from them, and how far w is off the isotherm [kg/kg]."""
    n, count = work.w.shape
    off, through, density = work.off, work.through, work.density
    for m in range(count):
        off[m] = through[m] = 0.0
    for j in range(n):
        mass = spool.shell_mass[j]
        for m in range(count):
            flow = work.conductance[j + 1, m] * (density[j + 1, m] - density[j, m])
            net = flow - through[m]
            through[m] = flow
            work.net[j, m] = net
            work.w[j, m] = (mass * work.b[j, m] + tau * net) / (mass * work.a[j, m])
        if members.kind != HENRY:
            for m in range(count):
                gap = (density[j, m] * work.dilution[j, m] - work.rh[j, m]) * work.rise[j, m]
                off[m] = max(off[m], abs(gap))


@kernel
def try_step(
    spool: SpoolArrays,
    members: Members,
    now: Array,
    outside: Array,
    chamber: Array,
    temperatures: Array,
    h: float,
    even: bool,
    enough: Array,
    work: StageWork,
    first_net: Array,
    new: Array,
    crossing: Array,
    error: Array,
) -> None:
    """One step of length h of all members, from the contents ``now`` into ``new``, (shells, parts, members).

    outside: the vapour density around at the ends of both stages, (2, members) [kg/m³]; chamber: resistance between
    the rim and that air, (1 or members,) [s/m³]; temperatures: of the shells at those ends, (2, shells, 1 or members);
    first_net: (shells, members), to work in.
    crossing: set to the water that came through the rim [kg]; error: to the step's error [kg/kg], (members,).
    """
    n, count = work.w.shape
    w, share = work.w, work.share
    tau = GAMMA * h
    set_transport(spool, members, temperatures[0], work)
    if chamber[0] > 0:
        add_chamber(chamber, work)
    for m in range(count):
        work.density[n, m] = outside[0, m]
    for j in range(n):
        for m in range(count):
            w[j, m] = now[j, 0, m]
    stage(spool, members, now, tau, even, enough, work)
    for j in range(n):
        for m in range(count):
            first_net[j, m] = work.net[j, m]
            new[j, 0, m] = now[j, 0, m] + AHEAD * (w[j, m] - now[j, 0, m])
        for k in range(1, PARTS):
            for m in range(count):
                new[j, k, m] = now[j, k, m] + AHEAD * share[j, k - 1, m] * (w[j, m] - now[j, k, m])
    for m in range(count):
        crossing[m] = h * (1 - GAMMA) * work.through[m]
        error[m] = 0.0
        work.first_off[m] = work.off[m]
        work.density[n, m] = outside[1, m]
    set_transport(spool, members, temperatures[1], work)
    if chamber[0] > 0:
        add_chamber(chamber, work)
    stage(spool, members, new, tau, even, enough, work)
    for j in range(n):
        defect = h * DEFECT / spool.shell_mass[j]
        for m in range(count):
            new[j, 0, m] = w[j, m]
            error[m] = max(error[m], abs(defect * (first_net[j, m] - work.net[j, m])))
        for k in range(1, PARTS):
            for m in range(count):
                new[j, k, m] += share[j, k - 1, m] * (w[j, m] - new[j, k, m])
    for m in range(count):
        crossing[m] += h * GAMMA * work.through[m]
        error[m] += work.first_off[m] + work.off[m]
