"""The drying plan of the week as numbers: who may be dried where, how long it takes, and what a plan costs.

Pure: no Django, no clock, no physics. Times are slots of a quarter of an hour, counted from when the plan
begins. heuristic.py turns a Week into an Answer.
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
    """What a dryer does, and for what: spools may be in it together only in one and the same mode.

    alone: told apart from all others, as a run in two stages is. smell: spools that smell of different things
    are kept apart; empty for those that hardly do.
    """

    set_point_c: float
    smell: str = ""
    alone: Hashable = None


@dataclass(frozen=True)
class Option:
    """A way to dry one spool: its dryer and mode, and in slots what it takes, may take, and is good for.

    takes: by the part of the week in which it starts (Week.parts); None where it never suffices then.
    most: the longest that the heat budget allows. keeps: how long it stays good once it is out.
    """

    dryer: int
    mode: Mode
    takes: tuple[int | None, ...]
    most: int
    keeps: int


@dataclass(frozen=True)
class Fixed:
    """A drying that is settled: a run that goes on or a pinned one. It ends at ``end`` or up to ``latest``.

    keeps: None where it is not good after it.
    """

    dryer: int
    mode: Mode
    start: int
    end: int
    latest: int
    keeps: int | None


@dataclass(frozen=True)
class Stock:
    """A spool: the grams that are surely on it, the last slot in which it is good as it is, how to dry it.

    good_until: -1 where it is not good now.
    """

    spool: int
    mass_g: int
    good_until: int
    ways: tuple[Option, ...] = ()
    fixed: Fixed | None = None


@dataclass(frozen=True)
class Request:
    """A print: the spools that it may be printed from, grams, when it is due, how long it takes to print."""

    key: int
    spools: tuple[int, ...]
    mass_g: int
    due: int
    weight: int = 1
    prints: int = 0


@dataclass(frozen=True)
class Week:
    """What is to be planned. parts: the first slots of the parts of the week that Option.takes tells apart.

    hands: the slots, as (first, last), in which spools can be put in and taken out. capacity: by dryer.
    """

    slots: int
    parts: tuple[int, ...]
    hands: tuple[tuple[int, int], ...]
    capacity: dict[int, int]
    stock: tuple[Stock, ...]
    wanted: tuple[Request, ...]

    @cached_property
    def handy(self) -> list[int]:
        """The slots in which somebody is there, in order."""
        return [n for first, last in self.hands for n in range(first, last + 1)]

    @cached_property
    def of(self) -> dict[int, Stock]:
        """The stock by spool."""
        return {one.spool: one for one in self.stock}

    def part_of(self, slot: int) -> int:
        """Which part of the week a slot lies in."""
        return bisect_right(self.parts, slot) - 1

    def last_of(self, part: int) -> int:
        """The last slot of a part of the week."""
        return self.parts[part + 1] - 1 if part + 1 < len(self.parts) else self.slots

    @property
    def unserved(self) -> int:
        """What a print that is not made counts for, in slots of lateness: more than any that is made late."""
        return self.slots + 1


class ScheduledDrying(NamedTuple):
    """A spool in a dryer from one slot to another."""

    spool: int
    dryer: int
    mode: Mode
    start: int
    end: int


class Assignment(NamedTuple):
    """A print with the spool that it is made from, and how late it is good, in slots.

    spool: None where it cannot be made. dried: whether it waits for the drying of the plan.
    """

    key: int
    spool: int | None
    dried: bool = False
    late: int = 0


@dataclass(frozen=True)
class Answer:
    """A plan."""

    placed: tuple[ScheduledDrying, ...]
    served: tuple[Assignment, ...]


class Cost(NamedTuple):
    """What counts, the first thing first: late slots with their weights, hot slots, switch-ons, earliness."""

    late: int
    hot: int
    switch_ons: int
    starts: int


def cost(week: Week, answer: Answer) -> Cost:
    """What an answer costs; of two answers the lower one is better."""
    weights = {one.key: one.weight for one in week.wanted}
    late = sum(weights[one.key] * (week.unserved if one.spool is None else one.late) for one in answer.served)
    return Cost(
        late,
        sum(one.end - one.start for one in answer.placed),
        switch_ons(answer.placed),
        sum(one.start for one in answer.placed),
    )


def switch_ons(placed: Iterable[ScheduledDrying]) -> int:
    """How often a dryer is switched on, or over: how many dryings begin where nothing like it goes on."""
    placed = sorted(placed, key=lambda one: (one.dryer, one.start, one.spool))
    return sum(
        not any(joins(one, other, earlier=m < n) for m, other in enumerate(placed) if m != n)
        for n, one in enumerate(placed)
    )


def joins(one: ScheduledDrying, other: ScheduledDrying, *, earlier: bool) -> bool:
    """Whether a drying begins while another one goes on in the same mode, or right after it.

    earlier: whether the other one counts as the first of two that begin at the same time.
    """
    return (
        (one.dryer, one.mode) == (other.dryer, other.mode)
        and (other.start < one.start or (earlier and other.start == one.start))
        and one.start <= other.end
    )


def fits(week: Week, new: ScheduledDrying, placed: Iterable[ScheduledDrying]) -> bool:
    """Whether a drying can be added to others: one mode at a time, and room for it all the while."""
    beside = [
        one
        for one in placed
        if one.dryer == new.dryer and one.start < new.end and new.start < one.end and one.spool != new.spool
    ]
    if any(one.mode != new.mode for one in beside):
        return False
    marks = [new.start, *(one.start for one in beside if one.start > new.start)]
    most = max(sum(one.start <= mark < one.end for one in beside) for mark in marks)
    return most < week.capacity[new.dryer]


def settled(week: Week) -> list[ScheduledDrying]:
    """The dryings that are settled, at their earliest end."""
    return [
        ScheduledDrying(one.spool, one.fixed.dryer, one.fixed.mode, one.fixed.start, one.fixed.end)
        for one in week.stock
        if one.fixed is not None
    ]
