"""Values of one sensor, sorted into pairs, singles and those that cannot count. Nothing is stored here."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import NamedTuple

from spools import limits
from spools.checks import CLOCK_TOLERANCE, EARLIEST
from spools.models import HeldValue, Sensor

TEMPERATURE, HUMIDITY, BATTERY = HeldValue.Quantity.values
Reason = HeldValue.Reason
BOUNDS = {TEMPERATURE: limits.TEMPERATURE_C, HUMIDITY: limits.RH_PCT, BATTERY: limits.BATTERY_PCT}
NOTED_IN = {
    TEMPERATURE: ("temperature_c", "temperature_at"),
    HUMIDITY: ("rh_pct", "rh_at"),
    BATTERY: ("battery_pct", "battery_at"),
}
# Temperature and humidity that a sensor sends in two messages are one reading when they are no further apart.
PAIRED_WITHIN = timedelta(seconds=30)


class Measurement(NamedTuple):
    """A value that a sensor sent: °C of a temperature, % RH of a humidity, % of a battery; at an aware time."""

    sensor: str
    quantity: str
    value: float
    at: datetime


class Single(NamedTuple):
    """A value whose partner has not come with it. pk: of the stored value that waits; None: it is new."""

    at: datetime
    value: float
    pk: int | None = None


class Pair(NamedTuple):
    """A reading to be. is_assumed: its temperature is that which the place assumes."""

    at: datetime
    temperature_c: float
    rh_pct: float
    singles: tuple[Single, ...] = ()
    is_assumed: bool = False


@dataclass
class Sorted:
    """The values of one sensor. batteries: how many values of a battery there were."""

    pairs: list[Pair] = field(default_factory=list)
    temperatures: list[Single] = field(default_factory=list)
    humidities: list[Single] = field(default_factory=list)
    set_aside: list[tuple[datetime, str, float, str]] = field(default_factory=list)
    batteries: int = 0


def sort_values(sensor: Sensor, values: dict[datetime, dict[str, float]], now: datetime) -> Sorted:
    """Sort the values of a sensor by their times, and note the last ones in its columns."""
    result, latest = Sorted(), now + CLOCK_TOLERANCE
    last: dict[str, tuple[datetime, float]] = {}
    low_c, high_c, __ = BOUNDS[TEMPERATURE]
    low_pct, high_pct, __ = BOUNDS[HUMIDITY]
    in_order = sorted(values.items())
    has_plain_times = in_order[0][0] >= EARLIEST and in_order[-1][0] <= latest
    for at, found in in_order:
        # Most values come as pairs that can be.
        if has_plain_times and len(found) == 2 and TEMPERATURE in found and HUMIDITY in found:
            celsius, rh_pct = found[TEMPERATURE], found[HUMIDITY]
            if low_c <= celsius <= high_c and low_pct <= rh_pct <= high_pct:
                result.pairs.append(Pair(at, celsius, rh_pct))
                continue
        for quantity, value in [*found.items()]:
            bounds = BOUNDS[quantity]
            if EARLIEST <= at <= latest and bounds.low <= value <= bounds.high:
                last[quantity] = (at, value)
                continue
            reason = Reason.FUTURE if at > latest else Reason.LONG_AGO if at < EARLIEST else Reason.IMPOSSIBLE
            result.set_aside.append((at, quantity, value, reason))
            del found[quantity]
        if BATTERY in found:
            result.batteries += 1
            del found[BATTERY]
        if len(found) == 2:
            result.pairs.append(Pair(at, found[TEMPERATURE], found[HUMIDITY]))
        elif TEMPERATURE in found:
            result.temperatures.append(Single(at, found[TEMPERATURE]))
        elif HUMIDITY in found:
            result.humidities.append(Single(at, found[HUMIDITY]))
    if result.pairs:
        pair = result.pairs[-1]
        for quantity, value in ((TEMPERATURE, pair.temperature_c), (HUMIDITY, pair.rh_pct)):
            if quantity not in last or last[quantity][0] < pair.at:
                last[quantity] = (pair.at, value)
    for quantity, (at, value) in last.items():
        _note(sensor, *NOTED_IN[quantity], value, at)
    return result


def _note(sensor: Sensor, value_column: str, time_column: str, value: float, at: datetime) -> None:
    last = getattr(sensor, time_column)
    if last is None or at > last:
        setattr(sensor, value_column, value)
        setattr(sensor, time_column, at)
    sensor.seen_at = max(sensor.seen_at or at, at)
    if sensor.silent_since and at > sensor.silent_since:
        sensor.silent_since = None


def pair_singles(temperatures: Iterable[Single], humidities: Iterable[Single]) -> list[Pair]:
    """Readings of values that came apart: each humidity with the nearest temperature within PAIRED_WITHIN.

    A reading has the time of its humidity.
    """
    free: list[Single | None] = [*sorted(temperatures, key=_time)]
    times = [single.at for single in free if single]
    pairs, first = [], 0
    for humidity in sorted(humidities, key=_time):
        while first < len(times) and times[first] < humidity.at - PAIRED_WITHIN:
            first += 1
        best = _find_nearest(times, free, humidity.at, first)
        if best is not None:
            temperature = free[best]
            assert temperature is not None
            free[best] = None
            pairs.append(Pair(humidity.at, temperature.value, humidity.value, (temperature, humidity)))
    return pairs


def _time(single: Single) -> datetime:
    return single.at


def _find_nearest(
    times: Sequence[datetime], free: Sequence[Single | None], at: datetime, first: int
) -> int | None:
    """The place of the free temperature next to a time, from the first that is not too early on."""
    best: int | None = None
    for n in range(first, len(times)):
        if times[n] > at + PAIRED_WITHIN:
            break
        if free[n] and (best is None or abs(times[n] - at) < abs(times[best] - at)):
            best = n
    return best
