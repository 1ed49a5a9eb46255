"""A plan of the week by a rule of thumb: what is due first has its turn first, as late as that still does.

What the solver starts from, and what is left when its time is over before it has found anything. Pure.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Iterator

from spools.drying.week.model import Answer, Placed, Served, Stock, Wanted, Way, Week, fits, settled


def planned(week: Week) -> Answer:
    """Each print from what is good anyway or dries anyway, else from the drying that has it good first."""
    placed = {one.spool: one for one in settled(week)}
    left_g = {one.spool: one.mass_g for one in week.stock}
    # A spool that is printed from as it is may not be in a dryer by then.
    free_from: dict[int, int] = {}
    keeps = {one.spool: one.fixed.keeps for one in week.stock if one.fixed is not None}
    served = []
    for wanted in sorted(week.wanted, key=lambda one: (one.due, -one.weight, one.key)):
        enough = [week.of[pk] for pk in wanted.spools if left_g[pk] >= wanted.mass_g]
        found = (
            _as_it_is(wanted, enough, placed)
            or _dried_anyway(week, wanted, enough, placed, keeps)
            or _dried_for_it(week, wanted, enough, placed, free_from, keeps)
        )
        served.append(found or Served(wanted.key, None))
        if found is not None and found.spool is not None:
            left_g[found.spool] -= wanted.mass_g
            if not found.dried:
                busy = wanted.due + wanted.prints
                free_from[found.spool] = max(free_from.get(found.spool, 0), busy)
    return Answer(tuple(placed.values()), tuple(sorted(served)))


def _as_it_is(wanted: Wanted, enough: list[Stock], placed: dict[int, Placed]) -> Served | None:
    for one in enough:
        drying = placed.get(one.spool)
        free = drying is None or wanted.due + wanted.prints <= drying.start
        if one.good_until >= wanted.due and free:
            return Served(wanted.key, one.spool)
    return None


def _dried_anyway(
    week: Week,
    wanted: Wanted,
    enough: list[Stock],
    placed: dict[int, Placed],
    keeps: dict[int, int | None],
) -> Served | None:
    """From a drying that is planned already and over in time; it may stay in for longer, to be good then."""
    for one in enough:
        drying, good_for = placed.get(one.spool), keeps.get(one.spool)
        if drying is None or good_for is None or drying.end > wanted.due:
            continue
        if drying.end + good_for >= wanted.due:
            return Served(wanted.key, one.spool, dried=True)
    return None


def _dried_for_it(
    week: Week,
    wanted: Wanted,
    enough: list[Stock],
    placed: dict[int, Placed],
    free_from: dict[int, int],
    keeps: dict[int, int | None],
) -> Served | None:
    """The least late of all dryings that are possible, of those the one with the fewest hot hours."""
    best: tuple[int, int, int, int] | None = None
    chosen: tuple[Placed, int] | None = None
    for one in enough:
        if one.spool in placed:
            continue
        for number, way in enumerate(one.ways):
            for start, end in _times(week, way, wanted, placed, free_from.get(one.spool, 0)):
                new = Placed(one.spool, way.dryer, way.mode, start, end)
                rank = (max(0, end - wanted.due), end - start, -start, number)
                if (best is None or rank < best) and fits(week, new, placed.values()):
                    best, chosen = rank, (new, way.keeps)
    if chosen is None:
        return None
    new, good_for = chosen
    placed[new.spool], keeps[new.spool] = new, good_for
    return Served(wanted.key, new.spool, dried=True, late=max(0, new.end - wanted.due))


def _times(
    week: Week, way: Way, wanted: Wanted, placed: dict[int, Placed], free_from: int
) -> Iterator[tuple[int, int]]:
    """Starts and ends that are worth a look: as soon as can be, after or with another one, just in time."""
    beside = [one for one in placed.values() if one.dryer == way.dryer]
    wishes = {free_from, *(t for one in beside for t in (one.start, one.end) if t >= free_from)}
    wishes |= {max(free_from, first) for first in week.parts}
    for hours in {takes for takes in way.takes if takes is not None}:
        latest = [wanted.due, *(one.start for one in beside if one.start <= wanted.due)]
        for end in latest:
            n = bisect_right(week.handy, end) - 1
            m = bisect_right(week.handy, week.handy[n] - hours) - 1 if n >= 0 else -1
            if m >= 0 and week.handy[m] >= free_from:
                wishes.add(week.handy[m])
    for wish in sorted(wishes):
        n = bisect_left(week.handy, wish)
        if n == len(week.handy):
            continue
        start = week.handy[n]
        takes = way.takes[week.part_of(start)]
        if takes is None:
            continue
        m = bisect_left(week.handy, max(start + takes, wanted.due - way.keeps))
        if m < len(week.handy) and week.handy[m] - start <= way.most:
            yield start, week.handy[m]
