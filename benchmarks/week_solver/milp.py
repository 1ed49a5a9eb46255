"""The drying week as a mixed-integer linear program for SciPy's HiGHS, on a grid of whole hours.

Each possible drying (spool, option, start, end) is a binary variable; a print request chooses a drying, a spool
as it is, or stays unserved. Starts and ends on a grid of an hour can cost a request up to an hour.
"""

from bisect import bisect_left
from collections import defaultdict

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array

from spools.drying.week.model import Answer, Assignment, Request, ScheduledDrying, Stock, Week

GRID = 4  # slots
# Lateness counts before hot hours: one slot of it for more hot slots than a plan ever has.
LATE_WEIGHT = 1000.0


def plan_by_milp(week: Week, seconds: float) -> Answer | None:
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
        for stock in week.stock:
            self._add_dryings(stock)
        for request in week.requests:
            self._add_request(request)
        for stock in week.stock:
            self._limit_grams(stock)
        self._limit_dryers()

    def _variable(self, cost: float = 0.0) -> int:
        self.costs.append(cost)
        return len(self.costs) - 1

    def _row(self, terms: list[tuple[int, float]], low: float, high: float) -> None:
        if terms:
            self.entries += [(len(self.limits), variable, factor) for variable, factor in terms]
            self.limits.append((low, high))

    def _add_dryings(self, stock: Stock) -> None:
        requests = [request for request in self.week.requests if stock.spool in request.spools]
        found: list[tuple[ScheduledDrying, int | None]] = []
        if stock.fixed is not None:
            fixed = stock.fixed
            ends = [
                fixed.end,
                *(n for n in self.week.staffed_slots if fixed.end < n <= fixed.latest and n % GRID == 0),
            ]
            found = [
                (ScheduledDrying(stock.spool, fixed.dryer, fixed.mode, fixed.start, n), fixed.good_for)
                for n in ends
            ]
        for option in stock.options if requests else ():
            for start in self.week.staffed_slots:
                takes = option.takes[self.week.part_of(start)]
                if start % GRID or takes is None:
                    continue
                wishes = {start + takes, *(request.due - option.good_for for request in requests)}
                numbers = {bisect_left(self.week.staffed_slots, max(wish, start + takes)) for wish in wishes}
                ends = [self.week.staffed_slots[n] for n in numbers if n < len(self.week.staffed_slots)]
                found += [
                    (ScheduledDrying(stock.spool, option.dryer, option.mode, start, end), option.good_for)
                    for end in ends
                    if end - start <= option.longest
                ]
        rows = [(placed, keeps, self._variable(placed.end - placed.start)) for placed, keeps in found]
        self.dryings[stock.spool] = rows
        self._row([(x, 1.0) for _, _, x in rows], 1.0 if stock.fixed else 0.0, 1.0)

    def _add_request(self, request: Request) -> None:
        choices = [self._variable(LATE_WEIGHT * request.weight * self.week.unserved)]
        for spool in request.spools:
            dryings = self.dryings[spool]
            if self.week.stock_by_spool[spool].good_until >= request.due:
                choice = self.undried[request.key, spool] = self._variable()
                choices.append(choice)
                busy = request.due + request.prints
                self._row([(choice, 1.0), *((x, 1.0) for p, _, x in dryings if p.start < busy)], -np.inf, 1.0)
            for placed, keeps, x in dryings:
                if keeps is not None and placed.end + keeps >= request.due:
                    late = max(0, placed.end - request.due)
                    choice = self._variable(LATE_WEIGHT * request.weight * late)
                    self.dried[request.key, placed] = choice
                    choices.append(choice)
                    self._row([(choice, 1.0), (x, -1.0)], -np.inf, 0.0)
        self._row([(choice, 1.0) for choice in choices], 1.0, 1.0)

    def _limit_grams(self, stock: Stock) -> None:
        masses_g = {request.key: request.mass_g for request in self.week.requests}
        terms = [(n, masses_g[key]) for (key, placed), n in self.dried.items() if placed.spool == stock.spool]
        terms += [(n, masses_g[key]) for (key, spool), n in self.undried.items() if spool == stock.spool]
        self._row([(n, float(mass_g)) for n, mass_g in terms], -np.inf, float(stock.mass_g))

    def _limit_dryers(self) -> None:
        """In each hour a dryer has one mode and room for its spools."""
        inside: dict[tuple, list[int]] = defaultdict(list)
        for rows in self.dryings.values():
            for placed, _, x in rows:
                for hour in range(placed.start // GRID, -(-placed.end // GRID)):
                    inside[placed.dryer, hour, placed.mode].append(x)
        modes: dict[tuple[int, int], list[int]] = defaultdict(list)
        for (dryer, hour, _), dryings in inside.items():
            is_on = self._variable()
            modes[dryer, hour].append(is_on)
            capacity = self.week.capacity[dryer]
            self._row([(is_on, -float(capacity)), *((x, 1.0) for x in dryings)], -np.inf, 0.0)
        for numbers in modes.values():
            self._row([(n, 1.0) for n in numbers], -np.inf, 1.0)

    def solve(self, seconds: float) -> Answer | None:
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
        return None if result.x is None else self._answer(result.x > 0.5)

    def _answer(self, chosen: np.ndarray) -> Answer:
        placed = tuple(p for rows in self.dryings.values() for p, _, x in rows if chosen[x])
        due = {request.key: request.due for request in self.week.requests}
        served = [Assignment(key, spool) for (key, spool), n in self.undried.items() if chosen[n]]
        served += [
            Assignment(key, p.spool, dried=True, late=max(0, p.end - due[key]))
            for (key, p), n in self.dried.items()
            if chosen[n]
        ]
        made = {one.key for one in served}
        served += [Assignment(request.key, None) for request in self.week.requests if request.key not in made]
        return Answer(placed, tuple(sorted(served)))
