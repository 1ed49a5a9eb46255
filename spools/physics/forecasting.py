"""Forecasts of one spool with all its members: the solver (stepping.py) look by look, until they are decided.

Air ahead is hardly known better than within a few percent, so forecasts take longer steps than the past does.
"""

import numpy as np

from .air import Array
from .kernels import kernel
from .stepping import run, shell_mean
from .transport import Members, SpoolArrays, Weather

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
# A winding that is no further from the air's temperature is as warm as the air, to this share of its content.
EVEN_K, NEARLY_ONE = 0.2, 1.01
# After these hours a winding in a room has the temperature of the air: water moves no more from warm turns to cold ones.
EVEN_H = 8.0


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
