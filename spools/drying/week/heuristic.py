"""Plans the drying week: inserts print requests one after another, then improves the plan step by step.

Each step takes some spools out of the plan and inserts their requests again in another order; the new plan
stays unless it costs more ("ruin and recreate": Schrimpf et al. 2000, J. Comput. Phys. 159, 139-171). The seed
and the number of steps are fixed, so equal weeks get equal plans on every machine. Pure.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Collection, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from random import Random

from spools.drying.week.model import (
    Assignment,
    Option,
    Request,
    ScheduledDrying,
    SettledDrying,
    SpoolSupply,
    Week,
    WeekSchedule,
    cost,
    fits,
    joins,
    settled_dryings,
)

# Cost tuple and drying; the rank is compared first, and no two dryings of a spool have equal ranks.
_Ranked = tuple[tuple, ScheduledDrying]

SEED = 1
STEPS = 1000
# A step takes out at most so many spools. With 4 instead of 10 some weeks stay far from the best plan.
MOST_REMOVED = 10
# How often a step passes over a spool that would do, so that the next best one gets its chance.
SKIPPED = 0.1
# A drying may end so long after the request is due, to wait for the next hours with somebody there.
LOOK_BEYOND = 96


def plan_week(week: Week, steps: int = STEPS) -> WeekSchedule:
    """Plan the dryings of a week and assign a spool to each request; see cost() for what a good plan is."""
    random = Random(SEED)  # noqa: S311  the same plan each time, no secret
    orders = [
        sorted(week.requests, key=_by_due_date),
        sorted(week.requests, key=lambda request: (-request.weight, request.due, request.key)),
        sorted(week.requests, key=lambda request: (len(request.spools), request.due, request.key)),
    ]
    settled = _Draft.from_settled(week)
    drafts = [settled.copy() for _ in orders]
    for draft, order in zip(drafts, orders, strict=True):
        draft.insert_all(order)
    best = min(drafts, key=_Draft.cost)
    for _ in range(steps):
        used = sorted(best.dried_requests.keys() | best.undried_requests.keys())
        if not used:
            break
        draft = best.copy()
        requests = draft.unassigned()
        for spool in random.sample(used, random.randint(1, min(len(used), MOST_REMOVED))):
            requests += draft.remove(spool)
        if random.random() < 0.5:
            random.shuffle(requests)
        else:
            requests.sort(key=_by_due_date)
        draft.insert_all(requests, random)
        if draft.cost() <= best.cost():
            best = draft
    return best.build_schedule()


def _by_due_date(request: Request) -> tuple[int, int, int]:
    return request.due, -request.weight, request.key


def _lateness(end: int, requests: Sequence[Request]) -> int:
    """Weighted slots by which a drying that ends then is late for its requests."""
    return sum(request.weight * max(0, end - request.due) for request in requests)


@dataclass
class _Draft:
    """A plan under construction, by spool: its drying, the grams left, and the requests assigned to it."""

    week: Week
    dryings: dict[int, ScheduledDrying]
    left_g: dict[int, int]
    dried_requests: dict[int, tuple[Request, ...]]
    undried_requests: dict[int, tuple[Request, ...]]
    # The best drying of a spool in a dryer, by all that it depends on. Shared by all drafts of a plan.
    best_dryings: dict[tuple, _Ranked | None]
    cached_cost: tuple | None = None

    @classmethod
    def from_settled(cls, week: Week) -> "_Draft":
        """The settled dryings only."""
        dryings = {drying.spool: drying for drying in settled_dryings(week)}
        return cls(week, dryings, {supply.spool: supply.mass_g for supply in week.supplies}, {}, {}, {})

    def copy(self) -> "_Draft":
        """An independent copy."""
        return _Draft(
            self.week,
            {**self.dryings},
            {**self.left_g},
            {**self.dried_requests},
            {**self.undried_requests},
            self.best_dryings,
        )

    def unassigned(self) -> list[Request]:
        """The requests without a spool that some spool could serve."""
        assigned_keys = {
            r.key
            for requests in (*self.dried_requests.values(), *self.undried_requests.values())
            for r in requests
        }
        return [
            request for request in self.week.requests if request.spools and request.key not in assigned_keys
        ]

    def build_schedule(self) -> WeekSchedule:
        """The plan."""
        assignments = {request.key: Assignment(request.key, None) for request in self.week.requests}
        for spool, requests in self.undried_requests.items():
            assignments |= {request.key: Assignment(request.key, spool) for request in requests}
        for spool, requests in self.dried_requests.items():
            end = self.dryings[spool].end
            for request in requests:
                late = max(0, end - request.due)
                assignments[request.key] = Assignment(request.key, spool, dried=True, late=late)
        return WeekSchedule(tuple(self.dryings.values()), tuple(sorted(assignments.values())))

    def cost(self) -> tuple:
        """The cost of the finished plan."""
        if self.cached_cost is None:
            self.cached_cost = cost(self.week, self.build_schedule())
        return self.cached_cost

    def remove(self, spool: int) -> list[Request]:
        """Take a spool out of the plan; returns the requests that it served."""
        requests = [*self.undried_requests.pop(spool, ()), *self.dried_requests.pop(spool, ())]
        self.left_g[spool] += sum(request.mass_g for request in requests)
        fixed = self.week.supply_by_spool[spool].fixed
        if fixed is None:
            self.dryings.pop(spool, None)
        else:
            self.dryings[spool] = ScheduledDrying(spool, fixed.dryer, fixed.mode, fixed.start, fixed.end)
        return requests

    def insert_all(self, requests: Sequence[Request], random: Random | None = None) -> None:
        """Assign each request to the spool that adds the least cost; one that fits nowhere stays without a spool.

        random: passes over some of the spools.
        """
        for request in requests:
            best: tuple[tuple, int, ScheduledDrying | None] | None = None
            for spool in request.spools:
                if self.left_g[spool] < request.mass_g or (random and random.random() < SKIPPED):
                    continue
                priced = self._price_undried(request, spool) or self._price_dried(request, spool)
                if priced is not None and (best is None or priced[0] < best[0]):
                    best = priced[0], spool, priced[1]
            if best is not None:
                _, spool, drying = best
                self.left_g[spool] -= request.mass_g
                if drying is None:
                    self.undried_requests[spool] = (*self.undried_requests.get(spool, ()), request)
                else:
                    self.dryings[spool] = drying
                    self.dried_requests[spool] = (*self.dried_requests.get(spool, ()), request)

    def _price_undried(self, request: Request, spool: int) -> tuple[tuple, None] | None:
        """The added cost of a print from the spool as it is; None where it is not good or in a dryer."""
        drying = self.dryings.get(spool)
        is_there = drying is None or request.due + request.prints <= drying.start
        if self.week.supply_by_spool[spool].good_until < request.due or not is_there:
            return None
        return (0, 0, 0, False, self.left_g[spool] - request.mass_g), None

    def _price_dried(self, request: Request, spool: int) -> tuple[tuple, ScheduledDrying] | None:
        """The added cost of a print from the spool after its drying, and that drying; None if impossible."""
        current, requests = self.dryings.get(spool), self.dried_requests.get(spool, ())
        ranked = self._best_drying(self.week.supply_by_spool[spool], (*requests, request))
        if ranked is None:
            return None
        (late, unadvised, hot, switches_on, *_), drying = ranked
        if current is not None:
            late -= _lateness(current.end, requests)
            unadvised -= (spool, current.dryer, current.mode) in self.week.unadvised
            hot -= current.end - current.start
            switches_on = False
        if late >= request.weight * self.week.unassigned_cost:
            return None
        return (late, unadvised, hot, switches_on, self.left_g[spool] - request.mass_g), drying

    def _best_drying(self, supply: SpoolSupply, requests: Sequence[Request]) -> _Ranked | None:
        """The drying of a spool that serves all these requests at the least cost beside the other dryings."""
        if supply.fixed is not None:
            return _best_extension(self.week, supply.spool, supply.fixed, requests, self.dryings)
        free_from = max((r.due + r.prints for r in self.undried_requests.get(supply.spool, ())), default=0)
        keys = tuple(sorted(request.key for request in requests))
        ranked_dryings = []
        for dryer in {option.dryer for option in supply.options}:
            beside = frozenset(
                drying
                for drying in self.dryings.values()
                if drying.dryer == dryer and drying.spool != supply.spool
            )
            lookup = (supply.spool, dryer, keys, free_from, beside)
            if lookup not in self.best_dryings:
                self.best_dryings[lookup] = _best_in_dryer(
                    self.week, supply, dryer, requests, beside, free_from
                )
            ranked_dryings.append(self.best_dryings[lookup])
        return min((ranked for ranked in ranked_dryings if ranked is not None), default=None)


def _best_extension(
    week: Week,
    spool: int,
    fixed: SettledDrying,
    requests: Sequence[Request],
    dryings: dict[int, ScheduledDrying],
) -> _Ranked | None:
    """A settled drying, longer where its spool would not stay good until the last request is due."""
    if fixed.good_for is None:
        return None
    end = fixed.end
    last_due = max(request.due for request in requests)
    if end + fixed.good_for < last_due:
        n = bisect_left(week.staffed_slots, max(end + 1, last_due - fixed.good_for))
        end = week.staffed_slots[n] if n < len(week.staffed_slots) else fixed.latest + 1
    drying = ScheduledDrying(spool, fixed.dryer, fixed.mode, fixed.start, end)
    if end > fixed.latest or (end > fixed.end and not fits(week, drying, dryings.values())):
        return None
    return (_lateness(end, requests), False, end - fixed.start, False, fixed.start, 0), drying


def _best_in_dryer(
    week: Week,
    supply: SpoolSupply,
    dryer: int,
    requests: Sequence[Request],
    beside: AbstractSet[ScheduledDrying],
    free_from: int,
) -> _Ranked | None:
    """The best drying of a spool in one dryer; beside: the other dryings in it."""
    best: _Ranked | None = None
    last_due = max(request.due for request in requests)
    for number, option in enumerate(supply.options):
        if option.dryer != dryer:
            continue
        for start in _starts(week, option, requests, beside, free_from, supply.prints):
            takes = option.takes[week.part_of(start)]
            if takes is None:
                continue
            n = bisect_left(week.staffed_slots, max(start + takes, last_due - option.good_for))
            if n == len(week.staffed_slots) or week.staffed_slots[n] - start > option.longest:
                continue
            drying = ScheduledDrying(supply.spool, dryer, option.mode, start, week.staffed_slots[n])
            if supply.is_printing(drying.start, drying.end):
                continue
            rank: tuple = (_lateness(drying.end, requests), not option.advised, drying.end - drying.start)
            if best is not None and rank > best[0][:3]:
                continue
            joined = any(joins(drying, other, earlier=other.spool < drying.spool) for other in beside)
            rank = (*rank, not joined, start, number)
            if (best is None or rank < best[0]) and fits(week, drying, beside):
                best = rank, drying
    return best


def _starts(
    week: Week,
    option: Option,
    requests: Sequence[Request],
    beside: Collection[ScheduledDrying],
    free_from: int,
    prints: Collection[tuple[int, int]] = (),
) -> set[int]:
    """Staffed slots at which a drying may begin.

    As soon as possible, together with or right after another drying in the dryer, when somebody comes or
    leaves, after a print of the spool; and so that it ends when it is due, no earlier than its spool stays good for,
    before another drying or a print of the spool, or when somebody comes or leaves.
    """
    staffed = week.staffed_slots
    dues = {request.due for request in requests}
    changes = {slot for hours in week.staffed for slot in hours if slot <= max(dues) + LOOK_BEYOND}
    wishes = {
        free_from,
        *week.parts,
        *changes,
        *(end for _, end in prints),
        *(slot for other in beside for slot in (other.start, other.end)),
    }
    ends = {*dues, max(dues) - option.good_for, *changes, *(other.start for other in beside)}
    ends.update(first for first, _ in prints)
    latest = {first - 1 for first in week.parts}
    for takes in {takes for takes in option.takes if takes is not None}:
        numbers = (bisect_right(staffed, end) - 1 for end in ends)
        latest.update(staffed[n] - takes for n in numbers if n >= 0)
    wishes.update(staffed[n - 1] for slot in latest if (n := bisect_right(staffed, slot)))
    later = {bisect_left(staffed, wish) for wish in wishes if wish >= free_from}
    return {staffed[n] for n in later if n < len(staffed)}
