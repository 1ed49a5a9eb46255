"""The drying week as a mixed-integer linear program for SciPy's HiGHS, on a grid of whole hours.

Each possible drying (spool, option, start, end) is a binary variable; a print request chooses a drying, a spool
as it is, or stays unserved. Starts and ends on a grid of an hour can cost a request up to an hour.
"""

from bisect import bisect_left
from collections import defaultdict

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array

from spools.drying.week.model import Assignment, Request, ScheduledDrying, SpoolSupply, Week, WeekSchedule

GRID = 4  # slots
# Lateness counts before hot hours: one slot of it for more hot slots than a plan ever has.
LATE_WEIGHT = 1000.0


def plan_by_milp(week: Week, seconds: float) -> WeekSchedule | None:
    """The best plan that HiGHS finds in the time; None if it finds none."""
    return _Program(week).solve(seconds)


class _Program:
    """Variables and rows are collected in lists, then handed over as one sparse matrix."""

    def __init__(self, week: Week) -> None:
        self.week = week
        self.costs: list[float] = []
        self.entries: list[tuple[int, int, float]] = []
        self.limits: list[tuple[float, float]] = []
        self.dryings: dict[int, list[tuple[ScheduledDrying, int | None, int]]] = {}
        self.dried: dict[tuple[int, ScheduledDrying], int] = {}
        self.undried: dict[tuple[int, int], int] = {}
        for supply in week.supplies:
            self._add_dryings(supply)
        for request in week.requests:
            self._add_request(request)
        for supply in week.supplies:
            self._limit_grams(supply)
        self._limit_dryers()

    def _variable(self, cost: float = 0.0) -> int:
        self.costs.append(cost)
        return len(self.costs) - 1

    def _row(self, terms: list[tuple[int, float]], low: float, high: float) -> None:
        if terms:
            self.entries += [(len(self.limits), variable, factor) for variable, factor in terms]
            self.limits.append((low, high))

    def _add_dryings(self, supply: SpoolSupply) -> None:
        requests = [request for request in self.week.requests if supply.spool in request.spools]
        dryings: list[tuple[ScheduledDrying, int | None]] = []
        if supply.fixed is not None:
            fixed = supply.fixed
            ends = [
                fixed.end,
                *(n for n in self.week.staffed_slots if fixed.end < n <= fixed.latest and n % GRID == 0),
            ]
            dryings = [
                (ScheduledDrying(supply.spool, fixed.dryer, fixed.mode, fixed.start, n), fixed.good_for)
                for n in ends
            ]
        for option in supply.options if requests else ():
            for start in self.week.staffed_slots:
                takes = option.takes[self.week.part_of(start)]
                if start % GRID or takes is None:
                    continue
                earliest_ends = {start + takes, *(request.due - option.good_for for request in requests)}
                numbers = {
                    bisect_left(self.week.staffed_slots, max(earliest, start + takes))
                    for earliest in earliest_ends
                }
                ends = [self.week.staffed_slots[n] for n in numbers if n < len(self.week.staffed_slots)]
                dryings += [
                    (ScheduledDrying(supply.spool, option.dryer, option.mode, start, end), option.good_for)
                    for end in ends
                    if end - start <= option.longest
                ]
        rows = [(drying, good_for, self._variable(drying.end - drying.start)) for drying, good_for in dryings]
        self.dryings[supply.spool] = rows
        self._row([(x, 1.0) for _, _, x in rows], 1.0 if supply.fixed else 0.0, 1.0)

    def _add_request(self, request: Request) -> None:
        choices = [self._variable(LATE_WEIGHT * request.weight * self.week.unassigned_cost)]
        for spool in request.spools:
            dryings = self.dryings[spool]
            if self.week.supply_by_spool[spool].good_until >= request.due:
                choice = self.undried[request.key, spool] = self._variable()
                choices.append(choice)
                busy = request.due + request.prints
                self._row([(choice, 1.0), *((x, 1.0) for p, _, x in dryings if p.start < busy)], -np.inf, 1.0)
            for drying, good_for, x in dryings:
                if good_for is not None and drying.end + good_for >= request.due:
                    late = max(0, drying.end - request.due)
                    choice = self._variable(LATE_WEIGHT * request.weight * late)
                    self.dried[request.key, drying] = choice
                    choices.append(choice)
                    self._row([(choice, 1.0), (x, -1.0)], -np.inf, 0.0)
        self._row([(choice, 1.0) for choice in choices], 1.0, 1.0)

    def _limit_grams(self, supply: SpoolSupply) -> None:
        masses_g = {request.key: request.mass_g for request in self.week.requests}
        terms = [
            (n, masses_g[key]) for (key, drying), n in self.dried.items() if drying.spool == supply.spool
        ]
        terms += [(n, masses_g[key]) for (key, spool), n in self.undried.items() if spool == supply.spool]
        self._row([(n, float(mass_g)) for n, mass_g in terms], -np.inf, float(supply.mass_g))

    def _limit_dryers(self) -> None:
        """In each hour a dryer has one mode and room for its spools."""
        inside: dict[tuple, list[int]] = defaultdict(list)
        for rows in self.dryings.values():
            for drying, _, x in rows:
                for hour in range(drying.start // GRID, -(-drying.end // GRID)):
                    inside[drying.dryer, hour, drying.mode].append(x)
        modes: dict[tuple[int, int], list[int]] = defaultdict(list)
        for (dryer, hour, _), dryings in inside.items():
            is_on = self._variable()
            modes[dryer, hour].append(is_on)
            capacity = self.week.capacity[dryer]
            self._row([(is_on, -float(capacity)), *((x, 1.0) for x in dryings)], -np.inf, 0.0)
        for numbers in modes.values():
            self._row([(n, 1.0) for n in numbers], -np.inf, 1.0)

    def solve(self, seconds: float) -> WeekSchedule | None:
        rows, columns, factors = zip(*self.entries, strict=True)
        matrix = csr_array((factors, (rows, columns)), shape=(len(self.limits), len(self.costs)))
        low, high = zip(*self.limits, strict=True)
        result = milp(
            np.array(self.costs),
            constraints=LinearConstraint(matrix, low, high),
            bounds=Bounds(0, 1),
            integrality=np.ones(len(self.costs)),
            options={"time_limit": seconds, "mip_rel_gap": 0.0},
        )
        return None if result.x is None else self._build_schedule(result.x > 0.5)

    def _build_schedule(self, chosen: np.ndarray) -> WeekSchedule:
        dryings = tuple(drying for rows in self.dryings.values() for drying, _, x in rows if chosen[x])
        due = {request.key: request.due for request in self.week.requests}
        assignments = [Assignment(key, spool) for (key, spool), n in self.undried.items() if chosen[n]]
        assignments += [
            Assignment(key, drying.spool, dried=True, late=max(0, drying.end - due[key]))
            for (key, drying), n in self.dried.items()
            if chosen[n]
        ]
        assigned_keys = {assignment.key for assignment in assignments}
        assignments += [
            Assignment(request.key, None)
            for request in self.week.requests
            if request.key not in assigned_keys
        ]
        return WeekSchedule(dryings, tuple(sorted(assignments)))
