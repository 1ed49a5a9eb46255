"""The air around a spool, stretch by stretch; and fewer, longer stretches with the same content."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from .air import Array
from .air_errors import COLDEST_K, HOTTEST_K, AirErrors, true_air
from .chamber import Chamber
from .ensemble import Members
from .kernels import kernel

# The tolerance of a line against the readings. A kitchen hygrometer is no better than 2 or 3 % RH.
RH_TOLERANCE = 0.015
TEMPERATURE_TOLERANCE_K = 1.0
# A filament that follows the air within hours remembers little more than the last stretches. So each of these keeps
# a line of its own, whose slope is that of a parabola through its neighbours, unless the air jumps there.
LAST_STRETCHES = 2
JUMP_RH, JUMP_K = 0.1, 3.0


@dataclass(frozen=True)
class Surroundings:
    """A stretch of time: [s], [K], relative humidity [0..1], a fan or not.

    The air goes straight from its first values to the later ones; without those it stays as it is. Temperatures and
    humidities that differ between the members of a spool are arrays, (members,). chamber: of a dryer, whose air holds
    the water that its spools give off. errors: how far the true air may be off; None: exactly known. Raises ValueError
    where a value is out of range.
    """

    duration_s: float
    temperature_k: float | Array
    rh: float | Array
    moving_air: bool = False
    end_temperature_k: float | Array | None = None
    end_rh: float | Array | None = None
    chamber: Chamber | None = None
    errors: AirErrors | None = None

    def __post_init__(self) -> None:
        if not 0 <= self.duration_s < math.inf:
            raise ValueError("A duration must be 0 s or more.")
        is_possible = _all_between(COLDEST_K, self.temperature_k, HOTTEST_K)
        if not (is_possible and _all_between(COLDEST_K, self.later_temperature_k, HOTTEST_K)):
            raise ValueError("A temperature must lie between -100 and 200 °C.")
        if not (_all_between(0, self.rh, 1) and _all_between(0, self.later_rh, 1)):
            raise ValueError("A relative humidity must lie between 0 and 1 (0 and 100 %).")

    @property
    def later_temperature_k(self) -> float | Array:
        """At the end of the stretch."""
        return self.temperature_k if self.end_temperature_k is None else self.end_temperature_k

    @property
    def later_rh(self) -> float | Array:
        """At the end of the stretch."""
        return self.rh if self.end_rh is None else self.end_rh

    @property
    def differs(self) -> bool:
        """Whether the air may differ between the members of a spool."""
        values = (self.temperature_k, self.rh, self.end_temperature_k, self.end_rh)
        return any(isinstance(value, np.ndarray) for value in values)


def _all_between(low: float, value: float | Array, high: float) -> bool:
    if isinstance(value, np.ndarray):
        return bool((low <= value).all() and (value <= high).all())
    return low <= value <= high


def spread_air(air: Surroundings, members: Members) -> Surroundings:
    """The air that each member takes as the true one: its values become (members,) where they may be off.

    Parameters
    ----------
    air : Surroundings
        The recorded air.
    members : Members
        The members of an ensemble.

    Returns
    -------
    Surroundings
        The same stretch.
    """
    chamber = None if air.chamber is None else air.chamber.spread(members)
    if air.errors is None:
        return air if chamber is None else replace(air, chamber=chamber)
    kelvin, rh = true_air(air.temperature_k, air.rh, air.errors, members)
    if air.end_rh is None and air.end_temperature_k is None:
        return replace(air, temperature_k=kelvin, rh=rh, chamber=chamber, errors=None)
    end_kelvin, end_rh = true_air(air.later_temperature_k, air.later_rh, air.errors, members)
    spread = replace(air, temperature_k=kelvin, rh=rh, chamber=chamber, errors=None)
    return replace(spread, end_temperature_k=end_kelvin, end_rh=end_rh)


def join(airs: Sequence[Surroundings]) -> list[Surroundings]:
    """Join stretches of constant air as far as a straight line describes them.

    Parameters
    ----------
    airs : sequence of Surroundings
        Stretches in order.

    Returns
    -------
    list of Surroundings
        Fewer, longer stretches.

    Raises
    ------
    ValueError
        If the air of a stretch differs between members: join what was read, then add how far it is off.

    Notes
    -----
    Each joined stretch follows the least-squares lines through the temperatures and humidities of the stretches
    that it replaces, and misses none of them by more than RH_TOLERANCE and TEMPERATURE_TOLERANCE_K. Greedy, from
    the start, but for the last ones.
    """
    airs = [air for air in airs if air.duration_s > 0]
    if len(airs) < 2 and not (airs and airs[0].differs):
        return airs
    if any(air.differs for air in airs):
        raise ValueError("Stretches can be joined only before their air differs between members.")
    kinds: dict[tuple[bool, Chamber | None, AirErrors | None], int] = {}
    numbers = [kinds.setdefault((air.moving_air, air.chamber, air.errors), len(kinds)) for air in airs]
    values = np.array(
        [(a.duration_s, kind, a.temperature_k, a.rh) for a, kind in zip(airs, numbers, strict=True)]
    ).reshape(-1, 4)
    joined = []
    for first, last, *lines in join_rows(np.ascontiguousarray(values.T)).tolist():
        duration_s, kelvin, end_kelvin, rh, end_rh = lines
        air = airs[int(first)]
        if first == last and kelvin == end_kelvin and rh == end_rh:
            joined.append(air)
            continue
        rh, end_rh = min(max(rh, 0.0), 1.0), min(max(end_rh, 0.0), 1.0)
        line = {"temperature_k": kelvin, "rh": rh, "end_temperature_k": end_kelvin, "end_rh": end_rh}
        joined.append(replace(air, duration_s=duration_s, **line))
    return joined


@kernel
def join_rows(values: Array) -> Array:
    """(duration, kind, temperature, RH) by row -> a row for each joined stretch.

    Its first and last stretch, its duration, temperature and RH at its start and at its end.
    """
    count = values.shape[1]
    rows = np.empty((count, 7))
    joined = start = 0
    greedy = count - LAST_STRETCHES if count > 2 else count
    while start < count:
        end = start + 1
        kelvin = values[2, start], values[2, start]
        rh = values[3, start], values[3, start]
        if start >= greedy:
            kelvin, rh = _bend(values, start)
        while end < count and values[1, end] == values[1, start]:
            if end >= greedy:
                flat = kelvin[0] == kelvin[1] and rh[0] == rh[1]
                if not (flat and values[2, end] == kelvin[0] and values[3, end] == rh[0]):
                    break
                end += 1
                continue
            longer, more_kelvin = _fit(values, 2, start, end + 1, TEMPERATURE_TOLERANCE_K)
            if not longer:
                break
            longer, more_rh = _fit(values, 3, start, end + 1, RH_TOLERANCE)
            if not longer:
                break
            end, kelvin, rh = end + 1, more_kelvin, more_rh
        row = rows[joined]
        row[0], row[1], row[2] = start, end - 1, values[0, start:end].sum()
        row[3], row[4], row[5], row[6] = kelvin[0], kelvin[1], rh[0], rh[1]
        joined += 1
        start = end
    return rows[:joined]


@kernel
def _bend(values: Array, n: int) -> tuple[tuple[float, float], tuple[float, float]]:
    """Temperature and RH at both ends of stretch n, along the slope of a parabola; level beside a jump."""
    first = min(max(n - 1, 0), values.shape[1] - 3)
    before, after = values[:, first], values[:, first + 2]
    middle = values[:, first + 1]
    kelvin = rh = 0.0
    jump_k = max(abs(middle[2] - before[2]), abs(after[2] - middle[2]))
    jump_rh = max(abs(middle[3] - before[3]), abs(after[3] - middle[3]))
    if before[1] == middle[1] == after[1] and jump_k <= JUMP_K and jump_rh <= JUMP_RH:
        left, right = (before[0] + middle[0]) / 2, (middle[0] + after[0]) / 2
        # Where n lies among the three, from their middle one.
        at = -left if n == first else right if n == first + 2 else 0.0
        rises = (middle - before) / left, (after - middle) / right
        slope = (rises[0] * right + rises[1] * left + 2 * at * (rises[1] - rises[0])) / (left + right)
        kelvin, rh = slope[2] * values[0, n] / 2, slope[3] * values[0, n] / 2
    return (values[2, n] - kelvin, values[2, n] + kelvin), (values[3, n] - rh, values[3, n] + rh)


@kernel
def _fit(values: Array, row: int, start: int, end: int, tolerance: float) -> tuple[bool, tuple[float, float]]:
    """A line's values at both ends, and whether it is nowhere further than ``tolerance`` from the values."""
    total = mean = 0.0
    for n in range(start, end):
        mean += values[0, n] * values[row, n]
        total += values[0, n]
    mean /= total
    at, spread, slope = -total / 2, 0.0, 0.0
    for n in range(start, end):
        middle = at + values[0, n] / 2
        spread += values[0, n] * middle * middle
        slope += values[0, n] * middle * (values[row, n] - mean)
        at += values[0, n]
    slope /= spread
    at, near = -total / 2, True
    for n in range(start, end):
        middle = at + values[0, n] / 2
        near = near and abs(values[row, n] - mean - slope * middle) <= tolerance
        at += values[0, n]
    return near, (mean - slope * total / 2, mean + slope * total / 2)
