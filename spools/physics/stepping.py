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
LEAST_STEP = 1e-6  # s
# A winding that is no further from the air's temperature is as warm as the air, to this share of its content.
EVEN_K, NEARLY_ONE = 0.2, 1.01
# Error allowed in a step of a forecast in lasting air, whose values are hardly known better (as TOLERANCE).
FORECAST_TOLERANCE = 0.05
# A forecast of a drying follows the warming of the winding, which takes an hour of many, no more closely than this.
FORECAST_TEMPERATURE_TOLERANCE = 3.0  # K
# Until its first look it follows both less closely: errors of the first half hour fade away.
START_TOLERANCE, START_TEMPERATURE_TOLERANCE = 0.2, 10.0
# It takes a winding that is no further from the air as having its temperature at once.
AS_WARM_K = 1.0
# A forecast of wetting follows a winding that cools down within this.
COOLING_TOLERANCE = 1.0  # K
GROWTH, SHRINKAGE, SAFETY = 4.0, 0.1, 0.9
# After these hours a winding in a room has the temperature of the air: water moves no more from warm turns to cold ones.
EVEN_H = 8.0
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


@kernel
def warmest_gap(temperature: Array, air: Array) -> float:
    """How far a winding's temperatures (shells, columns) are at most from the air's (1 or members,) [K]."""
    gap = 0.0
    for row in temperature:
        for c in range(max(len(row), len(air))):
            gap = max(gap, abs(row[min(c, len(row) - 1)] - air[min(c, len(air) - 1)]))
    return gap


@kernel
def last_for(weather: Weather, duration: float) -> Weather:
    """The only stretch of a weather, for another time [s]."""
    return Weather(
        np.full(1, duration),
        weather.film,
        weather.temperature,
        weather.rh,
        weather.equilibrium,
        weather.chamber,
    )


@kernel
def outer_content(contents: Array, shares: Array, m: int) -> float:
    """The content of the outer turns of member m by the share of each shell in them; no shares: of the wettest."""
    content = 0.0
    for j in range(len(contents)):
        mean = shell_mean(contents[j], m)
        content = content + shares[j] * mean if len(shares) else max(content, mean)
    return content


@kernel
def set_highest(contents: Array, highest: Array, wettest: Array) -> None:
    """Set ``wettest`` to the larger of ``highest`` and the wettest part of any shell, (members,) each."""
    wettest[:] = highest
    for shell in contents:
        for part in shell:
            for m in range(len(wettest)):
                wettest[m] = max(wettest[m], part[m])


@kernel
def advance_until_crossed(
    spool: SpoolArrays,
    members: Members,
    weather: Weather,
    durations: Array,
    contents: Array,
    temperature: Array,
    columns: int,
    step: float,
    heat: bool,
    shares: Array,
    limits: Array,
    allowed: float,
    below: bool,
    outer_contents: Array,
) -> int:
    """Advance a spool in constant air, look by look, until each limit has been crossed.

    weather: one stretch. durations: from look to look [s].
    shares (shells,): of each shell in the turns that count; empty: the wettest turns. limits: of their content
    [kg/kg]. allowed: so many members are above a limit at most while it counts as below. outer_contents (looks + 1,
    members): its first row is given, the others are filled.

    Returns the number of looks; below 0 where no step is short enough.
    """
    n, _, count = contents.shape
    nothing, no_temperatures = np.empty((0, count, n)), np.empty((0, n, 1))
    crossed = np.zeros(len(limits), np.bool_)
    for s in range(len(durations) + 1):
        for i in range(len(limits)):
            over = 0
            for m in range(count):
                over += outer_contents[s, m] > limits[i]
            crossed[i] = crossed[i] or (over <= allowed) == below
        if crossed.all() or s == len(durations):
            return s
        tolerance = FORECAST_TOLERANCE if s else START_TOLERANCE
        kelvins = FORECAST_TEMPERATURE_TOLERANCE if s else START_TEMPERATURE_TOLERANCE
        step, columns, _ = run(
            *(spool, members, last_for(weather, durations[s]), contents, temperature, columns, step, heat),
            *(tolerance, kelvins, nothing, no_temperatures),
        )
        if step < 0:
            return -1
        for m in range(count):
            outer_contents[s + 1, m] = outer_content(contents, shares, m)
    return len(durations)


@kernel
def advance_until_decided(
    spool: SpoolArrays,
    members: Members,
    weather: Weather,
    durations: Array,
    contents: Array,
    temperature: Array,
    columns: int,
    step: float,
    tolerance: float,
    shares: Array,
    limits: Array,
    allowed: int,
    min_probes: int,
    outer_contents: Array,
) -> int:
    """Advance a spool in constant air, probe by probe, until it is decided when it rises over its limits.

    weather: one stretch. durations: from probe to probe [s].
    shares (shells,): of each shell in the outer turns. limits: of their content [kg/kg]. allowed: so many members
    may be over a limit. min_probes: are computed in any case. outer_contents (probes, members): filled with the
    contents of the outer turns. In a winding as warm as the air contents never rise above the wettest part
    and the equilibrium with the air, so a limit above both is never crossed.

    Returns the number of probes; below 0 where no step is short enough.
    """
    n, _, count = contents.shape
    nothing, no_temperatures = np.empty((0, count, n)), np.empty((0, n, 1))
    heat = warmest_gap(temperature[:, :columns], weather.temperature[0, 0]) > AS_WARM_K
    wettest = np.empty(count)
    for s in range(len(durations)):
        step, columns, _ = run(
            *(spool, members, last_for(weather, durations[s]), contents, temperature, columns, step, heat),
            *(tolerance, COOLING_TOLERANCE, nothing, no_temperatures),
        )
        if step < 0:
            return -1
        for m in range(count):
            outer_contents[s, m] = outer_content(contents, shares, m)
        if s + 1 < min_probes:
            continue
        # Water moves from warm turns to cold ones, and may then rise above what the air alone gives them.
        uneven = warmest_gap(temperature[:, :columns], weather.temperature[0, 1]) > EVEN_K
        set_highest(contents, weather.equilibrium[0], wettest)
        undecided = False
        for limit in limits:
            over = possible = 0
            for m in range(count):
                over += outer_contents[s, m] > limit
                possible += uneven or wettest[m] * NEARLY_ONE > limit
            undecided = undecided or over <= allowed < possible
        if not undecided:
            return s + 1
    return len(durations)


@kernel
def part_between(weather: Weather, first: int, last: int) -> Weather:
    """Its stretches from the first to one before the last."""
    return Weather(
        weather.duration[first:last],
        weather.film[first:last],
        weather.temperature[first:last],
        weather.rh[first:last],
        weather.equilibrium[first:last],
        weather.chamber[first:last],
    )


@kernel
def advance_through(
    spool: SpoolArrays,
    members: Members,
    weather: Weather,
    ends: Array,
    even: Array,
    contents: Array,
    temperature: Array,
    columns: int,
    step: float,
    shares: Array,
    limits: Array,
    allowed: int,
    highest: Array,
    min_probes: int,
    outer_contents: Array,
) -> int:
    """Advance a spool through air ahead, probe by probe, until it is decided when it rises over its limits.

    ends (probes,): of so many stretches a probe is the end. even (probes,): whether the winding is as warm as the air
    by then. highest: content in balance with the dampest air ahead, (members,) [kg/kg]. outer_contents (probes + 1,
    members): its first row is given, the others are filled. The rest as in advance_until_decided.
    """
    n, _, count = contents.shape
    nothing, no_temperatures, wettest_turns = np.empty((0, count, n)), np.empty((0, n, 1)), np.empty(0)
    wettest = np.empty(count)
    first = 0
    for s in range(len(ends)):
        heat = warmest_gap(temperature[:, :columns], weather.temperature[first, 0]) > AS_WARM_K
        part = part_between(weather, first, ends[s])
        step, columns, _ = run(
            *(spool, members, part, contents, temperature, columns, step, heat),
            *(FORECAST_TOLERANCE, COOLING_TOLERANCE, nothing, no_temperatures),
        )
        if step < 0:
            return -1
        first = ends[s]
        for m in range(count):
            outer_contents[s + 1, m] = outer_content(contents, shares, m)
        if s + 1 < min_probes:
            continue
        if even[s]:
            for m in range(count):
                wettest[m] = max(highest[m], outer_content(contents, wettest_turns, m))
        undecided = False
        for limit in limits:
            over = possible = 0
            for m in range(count):
                over += outer_contents[s + 1, m] > limit
                possible += not even[s] or wettest[m] > limit
            undecided = undecided or over <= allowed < possible
        if not undecided:
            return s + 1
    return len(ends)
