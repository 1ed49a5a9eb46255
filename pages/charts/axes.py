"""Axes of charts: the position of each value, and round ticks with their texts."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from math import ceil, floor, log10

from django.utils import timezone

from spools.wording import format_at, format_exact, format_fixed, format_significant

# A value on the axis along a chart: a time, or a number.
Along = datetime | float

MOST_TICKS = 7
# So many texts stand beside each other on a phone.
MOST_ON_A_PHONE = 4
# Nearer to the end of the axis, % of its length, a text ends at its tick, so that nothing is clipped.
NEAR_THE_END = 6.0
# On a phone such a text needs so much room to the one before, % of the length.
END_ROOM = 32.0
STEPS = [timedelta(hours=h) for h in (1, 2, 3, 6, 12)] + [
    timedelta(days=d) for d in (1, 2, 4, 7, 14, 28, 91, 364)
]


@dataclass(frozen=True)
class Tick:
    """at: % of the axis. anchor: of the text, as in SVG. is_spare: left out on a phone."""

    at: float
    text: str
    anchor: str = "middle"
    is_spare: bool = False


def round_step(span: float, most: int) -> float:
    """The least of 1, 2 or 5 times a power of ten of which at most so many make the span."""
    power = 10.0 ** floor(log10(max(span, 1e-9) / most))
    return next(
        step for step in (power, 2 * power, 5 * power, 10 * power) if span <= most * step * (1 + 1e-9)
    )


def round_ticks(low: float, high: float, most: int) -> list[float]:
    """Two round numbers or more, the first at most ``low``, the last at least ``high``."""
    step = round_step(high - low, most)
    first, last = floor(low / step + 1e-9), ceil(high / step - 1e-9)
    return [round(n * step, 10) for n in range(first, max(last, first + 1) + 1)]


class Axis:
    """The axis along a chart, between two times or two numbers."""

    def __init__(self, first: Along, last: Along):
        self.first, self.last = first, last
        self._low = as_number(first)
        self._length = max(as_number(last) - self._low, 1e-9)

    def at(self, value: Along) -> float:
        """% of the axis; values beyond an end lie at it."""
        return min(100.0, max(0.0, 100 * (as_number(value) - self._low) / self._length))

    def contains(self, value: Along) -> bool:
        return self._low <= as_number(value) <= self._low + self._length

    def name(self, value: Along) -> str:
        """A value in words."""
        if isinstance(value, datetime):
            return format_at(value, "j M, H:i")
        return format_significant(value) if abs(value) < 100 else format_fixed(value)

    def ticks(self) -> list[Tick]:
        """At most MOST_TICKS, and MOST_ON_A_PHONE of them on a phone."""
        named = [(value, text) for value, text in self._name_ticks() if self.contains(value)]
        every = max(1, ceil(len(named) / MOST_ON_A_PHONE))
        placed = [self._place(value, text, n % every != 0) for n, (value, text) in enumerate(named)]
        return _spare_last(placed)

    def ticks_of_hours(self) -> list[Tick]:
        """Of times, twice as many as usual; a phone shows the days alone where there are several."""
        if not isinstance(self.first, datetime):
            return self.ticks()
        length = timedelta(seconds=self._length)
        named = [
            (at, text) for at, text in _name_times(self.first, length, 2 * MOST_TICKS) if self.contains(at)
        ]
        days = [at for at, _ in named if not timezone.localtime(at).hour]
        on_phone = days if len(days) > 1 else [at for at, _ in named]
        on_phone = on_phone[:: max(1, ceil(len(on_phone) / (MOST_ON_A_PHONE + 1)))]
        return _spare_last([self._place(at, text, at not in on_phone) for at, text in named])

    def _place(self, value: Along, text: str, is_spare: bool) -> Tick:
        at = self.at(value)
        return Tick(at, text, "end" if at > 100 - NEAR_THE_END else "middle", is_spare)

    def _name_ticks(self) -> list[tuple[Along, str]]:
        if isinstance(self.first, datetime):
            return list(_name_times(self.first, timedelta(seconds=self._length)))
        numbers = round_ticks(self._low, self._low + self._length, MOST_TICKS)
        return [(number, format_exact(number)) for number in numbers]


class NamedAxis(Axis):
    """The axis under columns: a place for each name, numbered from 0."""

    def __init__(self, names: Sequence[str]):
        super().__init__(-0.5, len(names) - 0.5)
        self._names = names

    def name(self, value: Along) -> str:
        return self._names[round(as_number(value))]

    def _name_ticks(self) -> list[tuple[Along, str]]:
        every = ceil(len(self._names) / MOST_TICKS)
        return [(n, name) for n, name in enumerate(self._names) if n % every == 0]


def _spare_last(placed: list[Tick]) -> list[Tick]:
    """Without the last text on a phone where it would lie on the one before."""
    on_phone = [tick for tick in placed if not tick.is_spare][-2:]
    if len(on_phone) == 2 and on_phone[1].anchor == "end" and on_phone[1].at - on_phone[0].at < END_ROOM:
        placed[placed.index(on_phone[1])] = replace(on_phone[1], is_spare=True)
    return placed


def as_number(value: Along) -> float:
    return value.timestamp() if isinstance(value, datetime) else value


def _name_times(first: datetime, length: timedelta, most: int = MOST_TICKS) -> list[tuple[datetime, str]]:
    """Times that are round in the shop's zone; a midnight has its date."""
    step = next((step for step in STEPS if length <= most * step), STEPS[-1])
    midnight = timezone.localtime(first).replace(hour=0, minute=0, second=0, microsecond=0)
    times = [midnight + n * step for n in range(ceil((length + timedelta(days=1)) / step) + 1)]
    return [(at, format_at(at, "H:i" if at.hour else "j M")) for at in times]
