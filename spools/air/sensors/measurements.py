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
# A value that is so far from the one before it, so soon, is a fault of the sensor and no change of the air; the next
# one that agrees with it is believed. Common practice, no source.
JUMP_K, JUMP_WITHIN, AGREES_K = 40.0, timedelta(minutes=5), 10.0
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


def sort_values(
    sensor: Sensor, values: dict[datetime, dict[str, float]], now: datetime, *, believed: bool = False
) -> Sorted:
    """Sort the values of a sensor by their times, and note the last ones in its columns.

    believed: a person admits them, so that a jump is no reason against them.
    """
    result = Sorted()
    for at, found in sorted(values.items()):
        battery = found.pop(BATTERY, None)
        if battery is not None:
            result.batteries += 1
            if BOUNDS[BATTERY].low <= battery <= BOUNDS[BATTERY].high and at <= now + CLOCK_TOLERANCE:
                _note(sensor, "battery", "battery_pct", battery, at)
        for quantity, value in [*found.items()]:
            reason = _find_fault(sensor, quantity, value, at, now, believed)
            if reason:
                result.set_aside.append((at, quantity, value, reason))
                del found[quantity]
                # With its temperature goes the humidity: the same fault may be in it.
                if reason == Reason.JUMP and HUMIDITY in found:
                    result.set_aside.append((at, HUMIDITY, found.pop(HUMIDITY), reason))
        if len(found) == 2:
            result.pairs.append(Pair(at, found[TEMPERATURE], found[HUMIDITY]))
        elif TEMPERATURE in found:
            result.temperatures.append(Single(at, found[TEMPERATURE]))
        elif HUMIDITY in found:
            result.humidities.append(Single(at, found[HUMIDITY]))
        if HUMIDITY in found:
            _note(sensor, "rh", "rh_pct", found[HUMIDITY], at)
        if (found or battery is not None) and at <= now + CLOCK_TOLERANCE:
            sensor.seen_at = max(sensor.seen_at or at, at)
            if sensor.silent_since and at > sensor.silent_since:
                sensor.silent_since = None
    return result


def _find_fault(
    sensor: Sensor, quantity: str, value: float, at: datetime, now: datetime, believed: bool
) -> str:
    """The reason why a value cannot count; empty: none."""
    if at > now + CLOCK_TOLERANCE:
        return Reason.FUTURE
    if at < EARLIEST:
        return Reason.LONG_AGO
    if not BOUNDS[quantity].low <= value <= BOUNDS[quantity].high:
        return Reason.IMPOSSIBLE
    if quantity != TEMPERATURE:
        return ""
    is_newest = sensor.temperature_at is None or at > sensor.temperature_at
    jumps = is_newest and not believed and _has_jumped(sensor, value, at)
    if is_newest:
        sensor.temperature_c, sensor.temperature_at = value, at
    if is_newest and not jumps:
        sensor.counted_c, sensor.counted_at = value, at
    return Reason.JUMP if jumps else ""


def _has_jumped(sensor: Sensor, value: float, at: datetime) -> bool:
    if sensor.counted_at is None or sensor.counted_c is None or at - sensor.counted_at > JUMP_WITHIN:
        return False
    # The one before was set aside, and this one agrees with it: the sensor was moved.
    agrees = sensor.temperature_at != sensor.counted_at and sensor.temperature_c is not None
    agrees = agrees and abs(value - (sensor.temperature_c or 0.0)) <= AGREES_K
    return abs(value - sensor.counted_c) > JUMP_K and not agrees


def _note(sensor: Sensor, name: str, column: str, value: float, at: datetime) -> None:
    last = getattr(sensor, f"{name}_at")
    if last is None or at > last:
        setattr(sensor, column, value)
        setattr(sensor, f"{name}_at", at)


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
