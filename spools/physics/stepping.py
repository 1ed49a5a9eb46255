"""The solver: one spool with all its members through one stretch of air after the other, as compiled loops.

The length of a step (step.py) follows from the difference between the flows of its two stages, and from what its
Newton steps left; all members of a spool take the same steps.
"""

import numpy as np

from .air import Array
from .filament import PARTS, WEIGHTS
from .kernels import kernel
from .step import AHEAD, DEFECT, GAMMA, try_step
from .transport import Members, SpoolArrays, Weather, largest_defect, saturation_density, warm, workroom

NEWTON_ENOUGH = 0.02  # share of the error allowed in a step
# An error of this share of the distance from equilibrium is allowed in a step, that distance being taken as
# at least this share of the uptake at 50 % RH.
TOLERANCE = 0.02
LEAST_DISTANCE = 0.3
TEMPERATURE_TOLERANCE = 0.3  # K
# A rim on which water of warm air condensed, and that meets cold dry air then, takes steps of a microsecond.
LEAST_STEP = 1e-9  # s
GROWTH, SHRINKAGE, SAFETY = 4.0, 0.1, 0.9
# Members whose temperatures differ by no more have one temperature again as soon as their air has.
ALIKE_K = 0.01


@kernel
def between(ends: Array, share: float, column: int) -> float:
    """Linear interpolation between a stretch's start and its end; column: the member, where their air differs."""
    column = min(column, ends.shape[1] - 1)
    return ends[0, column] + share * (ends[1, column] - ends[0, column])


@kernel
def shell_mean(parts: Array, m: int) -> float:
    """Mean content of a shell of member m from its parts (parts, members) [kg/kg]."""
    mean = 0.0
    for k in range(PARTS):
        mean += WEIGHTS[k] * parts[k, m]
    return mean


@kernel
def differ(values: Array) -> bool:
    """Whether the members of any row (rows, members) differ."""
    gap = 0.0
    for row in values:
        gap = max(gap, row.max() - row.min())
    return gap > 0


@kernel
def fit_columns(air: Array, heat: bool, temperature: Array, columns: int) -> int:
    """How many columns of ``temperature`` are in use for a stretch of air: 1, or one for each member.

    air: its temperatures (2, 1 or members); temperature: (shells, 1 or members), spread or drawn together.
    """
    count = temperature.shape[1]
    if differ(air):
        if columns == 1:
            for row in temperature:
                row[:] = row[0]
        return count
    if columns == 1:
        return 1
    for row in temperature:
        if heat and row.max() - row.min() > ALIKE_K:
            return count
    for row in temperature:
        row[0] = row.mean()
    return 1


@kernel
def run(
    spool: SpoolArrays,
    members: Members,
    weather: Weather,
    contents: Array,
    temperature: Array,
    columns: int,
    step: float,
    heat: bool,
    tolerance: float,
    temperature_tolerance: float,
    profiles: Array,
    temperatures: Array,
) -> tuple[float, int, Array]:
    """Take a spool through all its stretches; contents (shells, parts, members) and temperature are changed.

    temperature: (shells, 1 or members) of which the first ``columns`` are in use: 1 while no member's temperature
    differs. It has room for all members wherever their air may differ.
    heat: whether the winding warms by conduction; without, it has the air's temperature at once.
    tolerance, temperature_tolerance: the error allowed in a step, as TOLERANCE and in K.
    profiles (stretches, members, shells), temperatures (stretches, shells, as many as in temperature): filled
    where they have room.

    Returns the step that goes well [s], the columns now in use and the water that crossed the rim (members,) [kg];
    a step below 0 where none is short enough.
    """
    n, _, count = contents.shape
    work = workroom(n, count)
    first_net = np.empty((n, count))
    new = np.empty_like(contents)
    crossing, crossed, off = np.zeros(count), np.zeros(count), np.zeros(count)
    allowed, enough = np.zeros(count), np.zeros(count)
    outside = np.empty((2, count))
    ratio = np.empty(n)
    for s in range(len(weather.duration)):
        film, duration = weather.film[s], weather.duration[s]
        columns = fit_columns(weather.temperature[s], heat, temperature, columns)
        t0, ahead, t12 = np.empty((n, columns)), np.empty((n, columns)), np.empty((2, n, columns))
        t0[:] = temperature[:, :columns]
        air1, air2, off_k = np.empty(columns), np.empty(columns), np.empty(columns)
        for m in range(count):
            distance = LEAST_DISTANCE * members.w50[m]
            for j in range(n):
                distance = max(distance, abs(shell_mean(contents[j], m) - weather.equilibrium[s, m]))
            allowed[m] = tolerance * distance
            enough[m] = NEWTON_ENOUGH * allowed[m]
        remaining = duration
        while remaining > 0:
            steps = np.ceil(remaining / step)
            h = remaining / steps
            at1 = 1 - (remaining - GAMMA * h) / duration
            at2 = 1 - (remaining - h) / duration
            for c in range(columns):
                air1[c], air2[c] = (
                    between(weather.temperature[s], at1, c),
                    between(weather.temperature[s], at2, c),
                )
            for m in range(count):
                if m < columns:
                    saturated1, saturated2 = saturation_density(air1[m]), saturation_density(air2[m])
                outside[0, m] = between(weather.rh[s], at1, m) * saturated1
                outside[1, m] = between(weather.rh[s], at2, m) * saturated2
            error = 0.0
            if heat:
                t1, t2 = t12[0], t12[1]
                warm(spool, air1, film, t0, GAMMA * h, ratio, t1)
                for j in range(n):
                    for c in range(columns):
                        ahead[j, c] = t0[j, c] + AHEAD * (t1[j, c] - t0[j, c])
                warm(spool, air2, film, ahead, GAMMA * h, ratio, t2)
                defect = largest_defect(spool, film, (air1, air2), (t1, t2), off_k)
                error = abs(h * DEFECT) * defect / temperature_tolerance
            else:
                t12[0], t12[1] = air1, air2
            if error <= 1:
                try_step(
                    *(spool, members, contents, outside, weather.chamber[s], t12, h, not heat),
                    *(enough, work, first_net, new, crossing, off),
                )
                for m in range(count):
                    # A flow that is no number comes from a step far too long.
                    error = max(error, off[m] / allowed[m]) if crossing[m] == crossing[m] else np.inf
            accepted = error <= 1
            if accepted:
                contents[:] = new
                crossed += crossing
                t0[:] = t12[1]
                remaining = remaining - h if steps > 1 else 0.0
            factor = min(max(SAFETY / np.sqrt(max(error, 1e-9)), SHRINKAGE), GROWTH)
            # A step cut short by the end of a stretch says nothing against a longer one.
            step = max(h * factor, step) if accepted and steps <= 1 else h * factor
            if step < LEAST_STEP:
                return -1.0, columns, crossed
        temperature[:, :columns] = t0
        if len(profiles):
            temperatures[s] = temperature[:, :columns] if columns > 1 else temperature[:, :1]
            for m in range(count):
                for j in range(n):
                    profiles[s, m, j] = shell_mean(contents[j], m)
    return step, columns, crossed
