"""The drying week as numbers: the options to dry each spool, how long they take, and the cost of a plan.

Pure: no Django, no clock, no physics. Times are slots of a quarter of an hour, counted from when the plan
begins. heuristic.py turns a Week into a WeekSchedule.
"""

from bisect import bisect_right
from collections.abc import Hashable, Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

SLOT_MINUTES = 15
# How many times the lateness of an urgent print counts. Common practice, no source.
URGENT_WEIGHT = 4


class Mode(NamedTuple):
    """The setting of a dryer: spools are in it together only in one and the same mode.

    smell: spools of different smells do not share a dryer; empty for those that hardly smell. alone: a key
    that no other spool has, for a run in two stages.
    """

    set_point_c: float
    smell: str = ""
    alone: Hashable = None


@dataclass(frozen=True)
class Option:
    """A way to dry one spool: its dryer and mode, and its durations in slots.

    takes: the duration by the part of the week in which it starts (Week.parts); None where it never suffices
    then. longest: the longest that the heat budget allows. good_for: how long the spool stays good afterwards.
    advised: whether the advisor would dry it so in this dryer; others serve to share the dryer.
    """

    dryer: int
    mode: Mode
    takes: tuple[int | None, ...]
    longest: int
    good_for: int
    advised: bool = True


@dataclass(frozen=True)
class SettledDrying:
    """A drying that is settled: a run that goes on or a pinned one. It ends at ``end`` or up to ``latest``.

    good_for: None where the spool is not good after it.
    """

    dryer: int
    mode: Mode
    start: int
    end: int
    latest: int
    good_for: int | None


@dataclass(frozen=True)
class SpoolSupply:
    """A spool: the grams that are surely on it, the last slot in which it is good as it is, how to dry it.

    good_until: -1 where it is not good now. prints: the slots, as (first, end), in which it is in a print.
    """

    spool: int
    mass_g: int
    good_until: int
    options: tuple[Option, ...] = ()
    fixed: SettledDrying | None = None
    prints: tuple[tuple[int, int], ...] = ()

    def is_printing(self, start: int, end: int) -> bool:
        """Whether it is in a print in any slot from start to end."""
        return any(first < end and start < last for first, last in self.prints)


@dataclass(frozen=True)
class Request:
    """A print request: the spools that may serve it, its grams, when it is due, how long it takes to print."""

    key: int
    spools: tuple[int, ...]
    mass_g: int
    due: int
    weight: int = 1
    prints: int = 0


@dataclass(frozen=True)
class Week:
    """The problem to solve. parts: the first slot of each part of the week, see Option.takes.

    staffed: the slots, as (first, last), in which spools can be put in and taken out. capacity: by dryer.
    """

    slots: int
    parts: tuple[int, ...]
    staffed: tuple[tuple[int, int], ...]
    capacity: dict[int, int]
    supplies: tuple[SpoolSupply, ...]
    requests: tuple[Request, ...]

    @cached_property
    def staffed_slots(self) -> list[int]:
        """The slots in which somebody is there, in order."""
        return [n for first, last in self.staffed for n in range(first, last + 1)]

    @cached_property
    def supply_by_spool(self) -> dict[int, SpoolSupply]:
        """The supplies by spool."""
        return {supply.spool: supply for supply in self.supplies}

    @cached_property
    def unadvised(self) -> frozenset[tuple[int, int, Mode]]:
        """The options that the advisor would not choose, as (spool, dryer, mode)."""
        return frozenset(
            (supply.spool, option.dryer, option.mode)
            for supply in self.supplies
            for option in supply.options
            if not option.advised
        )

    def part_of(self, slot: int) -> int:
        """Which part of the week a slot lies in."""
        return bisect_right(self.parts, slot) - 1

    @property
    def unassigned_cost(self) -> int:
        """The cost of a request without a spool, in slots of lateness: more than any late one."""
        return self.slots + 1


class ScheduledDrying(NamedTuple):
    """A spool in a dryer from one slot to another."""

    spool: int
    dryer: int
    mode: Mode
    start: int
    end: int


class Assignment(NamedTuple):
    """A request with the spool that serves it, and its lateness in slots.

    spool: None where no spool serves it. dried: whether it waits for the drying of the plan.
    """

    key: int
    spool: int | None
    dried: bool = False
    late: int = 0


@dataclass(frozen=True)
class WeekSchedule:
    """The dryings of a week, and the spool of each request."""

    dryings: tuple[ScheduledDrying, ...]
    assignments: tuple[Assignment, ...]


class Cost(NamedTuple):
    """Compared in this order: weighted late slots, dryings at another set point than advised, slots of drying,
    switch-ons, sum of the starts."""

    late: int
    unadvised: int
    hot: int
    count_switch_ons: int
    starts: int


def cost(week: Week, schedule: WeekSchedule) -> Cost:
    """The cost of a schedule; the lower of two is better."""
    weights = {request.key: request.weight for request in week.requests}
    late = sum(
        weights[assignment.key] * (week.unassigned_cost if assignment.spool is None else assignment.late)
        for assignment in schedule.assignments
    )
    return Cost(
        late,
        sum((drying.spool, drying.dryer, drying.mode) in week.unadvised for drying in schedule.dryings),
        sum(drying.end - drying.start for drying in schedule.dryings),
        count_switch_ons(schedule.dryings),
        sum(drying.start for drying in schedule.dryings),
    )


def count_switch_ons(dryings: Iterable[ScheduledDrying]) -> int:
    """How many dryings need a dryer to be switched on or set anew: no other one in the same mode goes on."""
    dryings = sorted(dryings, key=lambda drying: (drying.dryer, drying.start, drying.spool))
    return sum(
        not any(joins(drying, other, earlier=m < n) for m, other in enumerate(dryings) if m != n)
        for n, drying in enumerate(dryings)
    )


def joins(drying: ScheduledDrying, other: ScheduledDrying, *, earlier: bool) -> bool:
    """Whether a drying begins while another one goes on in the same mode, or right after it.

    earlier: whether the other one counts as the first of two that begin at the same time.
    """
    return (
        (drying.dryer, drying.mode) == (other.dryer, other.mode)
        and (other.start < drying.start or (earlier and other.start == drying.start))
        and drying.start <= other.end
    )


def fits(week: Week, new: ScheduledDrying, dryings: Iterable[ScheduledDrying]) -> bool:
    """Whether a drying can be added to others: one mode at a time, and room for it all the while."""
    beside = [
        other
        for other in dryings
        if other.dryer == new.dryer
        and other.start < new.end
        and new.start < other.end
        and other.spool != new.spool
    ]
    if any(other.mode != new.mode for other in beside):
        return False
    starts = [new.start, *(other.start for other in beside if other.start > new.start)]
    highest_count = max(sum(other.start <= start < other.end for other in beside) for start in starts)
    return highest_count < week.capacity[new.dryer]


def settled_dryings(week: Week) -> list[ScheduledDrying]:
    """The dryings that are settled, at their earliest end."""
    return [
        ScheduledDrying(
            supply.spool, supply.fixed.dryer, supply.fixed.mode, supply.fixed.start, supply.fixed.end
        )
        for supply in week.supplies
        if supply.fixed is not None
    ]
