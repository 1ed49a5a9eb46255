"""The drying plan of the week by a constraint solver: OR-Tools' CP-SAT. Pure.

In turn: the least lateness, then the fewest hot hours, then the fewest switch-ons and the earliest starts.
One worker, a fixed seed and limits in the solver's own work units instead of seconds: the same week gives the
same plan on any machine.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from itertools import combinations
from typing import Any

from ortools.sat.python import cp_model

from spools.drying.week import heuristic as week_heuristic
from spools.drying.week.model import Answer, Mode, Placed, Served, Stock, Wanted, Week, cost, joins

SEED = 1
# Of the work, for: lateness, hot hours, switch-ons and starts.
SHARES = (0.5, 0.3, 0.2)
# A unit of work takes about a second; a machine that is far slower stops here all the same.
MOST_SECONDS_A_UNIT = 5.0

Literal = Any
Expression = Any


@dataclass
class _Drying:
    """The variables of one spool's drying. ways: a literal for each dryer and mode."""

    start: Expression
    end: Expression
    present: Expression
    ways: dict[tuple[int, Mode], Literal]
    parts: list[Literal] = field(default_factory=list)
    in_dryer: dict[int, Literal] = field(default_factory=dict)


@dataclass
class _Pair:
    """Two dryings that may meet: one before the other, or both in one mode; who joins whom."""

    before: Literal
    after: Literal
    together: Literal
    first_joins: Literal | None
    second_joins: Literal | None


def solved(week: Week, work: float) -> Answer:
    """The best plan that is found with so much work; the rule of thumb's where the solver finds none."""
    thumb = week_heuristic.planned(week)
    if not week.wanted or not week.handy:
        return thumb
    return _Plan(week).best(thumb, work)


class _Plan:
    """The model of a week."""

    def __init__(self, week: Week) -> None:
        self.week = week
        self.model = cp_model.CpModel()
        self.hands = cp_model.Domain.from_intervals([list(pair) for pair in week.hands])
        self.dryings = {
            one.spool: self._settled(one) if one.fixed else self._drying(one)
            for one in week.stock
            if one.fixed or one.ways
        }
        self.as_it_is: dict[tuple[int, int], Literal] = {}
        self.dried: dict[tuple[int, int], Literal] = {}
        self.unserved: dict[int, Literal] = {}
        self.late: dict[int, Expression] = {}
        self._dryers_hold_so_many()
        self.pairs = {
            pair: self._pair(*pair) for pair in combinations(sorted(self.dryings), 2) if self._may_meet(*pair)
        }
        for wanted in week.wanted:
            self._print(wanted)
        for one in week.stock:
            self._grams(one)

    def _drying(self, one: Stock) -> _Drying:
        model, week = self.model, self.week
        first = week.handy[0]
        start = model.new_int_var_from_domain(self.hands, f"start {one.spool}")
        end = model.new_int_var_from_domain(self.hands, f"end {one.spool}")
        ways = {(way.dryer, way.mode): model.new_bool_var("") for way in one.ways}
        present = model.new_bool_var(f"dried {one.spool}")
        model.add(sum(ways.values()) == present)
        model.add(start == first).only_enforce_if(~present)
        model.add(end == first).only_enforce_if(~present)
        parts = [model.new_bool_var("") for _ in week.parts]
        model.add_exactly_one(parts)
        for n, literal in enumerate(parts):
            model.add_linear_constraint(start, week.parts[n], week.last_of(n)).only_enforce_if(literal)
        for way, literal in zip(one.ways, ways.values(), strict=True):
            model.add(end - start <= way.most).only_enforce_if(literal)
            for n, takes in enumerate(way.takes):
                if takes is None:
                    model.add_bool_or(~literal, ~parts[n])
                else:
                    model.add(end - start >= takes).only_enforce_if(literal, parts[n])
        return _Drying(start, end, present, ways, parts)

    def _settled(self, one: Stock) -> _Drying:
        fixed = one.fixed
        assert fixed is not None
        later = [n for n in self.week.handy if fixed.end < n <= fixed.latest]
        ends = cp_model.Domain.from_values([fixed.end, *later])
        end = self.model.new_int_var_from_domain(ends, f"end {one.spool}")
        sure = self.model.new_constant(1)
        return _Drying(self.model.new_constant(fixed.start), end, sure, {(fixed.dryer, fixed.mode): sure})

    def _dryers_hold_so_many(self) -> None:
        model = self.model
        for dryer, capacity in self.week.capacity.items():
            intervals = []
            for pk, drying in self.dryings.items():
                here = [literal for (where, _), literal in drying.ways.items() if where == dryer]
                if not here:
                    continue
                inside = here[0]
                if len(here) > 1:
                    inside = model.new_bool_var("")
                    model.add(sum(here) == inside)
                drying.in_dryer[dryer] = inside
                size = model.new_int_var(0, self.week.slots, "")
                intervals.append(
                    model.new_optional_interval_var(drying.start, size, drying.end, inside, f"{pk}")
                )
            if capacity == 1:
                model.add_no_overlap(intervals)
            else:
                model.add_cumulative(intervals, [1] * len(intervals), capacity)

    def _may_meet(self, a: int, b: int) -> bool:
        one, other = self.dryings[a], self.dryings[b]
        settled = bool(self.week.of[a].fixed and self.week.of[b].fixed)
        return not settled and not one.in_dryer.keys().isdisjoint(other.in_dryer)

    def _pair(self, a: int, b: int) -> _Pair:
        model, one, other = self.model, self.dryings[a], self.dryings[b]
        before, after, together = (model.new_bool_var("") for _ in range(3))
        model.add(one.end <= other.start).only_enforce_if(before)
        model.add(other.end <= one.start).only_enforce_if(after)
        for dryer in one.in_dryer.keys() & other.in_dryer.keys():
            away = [~one.in_dryer[dryer], ~other.in_dryer[dryer]]
            model.add_bool_or(before, after, together, *away)
        self._in_one_mode(one, other, together)
        if one.ways.keys().isdisjoint(other.ways):
            model.add(together == 0)
            return _Pair(before, after, together, None, None)
        first_joins, second_joins = (model.new_bool_var("") for _ in range(2))
        for literal, late, early, gap in ((first_joins, one, other, 1), (second_joins, other, one, 0)):
            self._in_one_mode(one, other, literal)
            model.add(early.start + gap <= late.start).only_enforce_if(literal)
            model.add(late.start <= early.end).only_enforce_if(literal)
            model.add_implication(literal, one.present)
            model.add_implication(literal, other.present)
        return _Pair(before, after, together, first_joins, second_joins)

    def _in_one_mode(self, one: _Drying, other: _Drying, literal: Literal) -> None:
        """The literal holds only where both are in one dryer in the same mode, or one is in none."""
        for ways, others in ((one, other), (other, one)):
            for key, way in ways.ways.items():
                same = [others.ways[key]] if key in others.ways else []
                self.model.add_bool_or(~literal, ~way, ~others.present, *same)

    def _print(self, wanted: Wanted) -> None:
        """Exactly one spool makes a print, as it is or after its drying, or none does."""
        model, week = self.model, self.week
        choices = []
        late = model.new_int_var(0, week.slots, f"late {wanted.key}")
        for pk in wanted.spools:
            one, drying = week.of[pk], self.dryings.get(pk)
            if one.good_until >= wanted.due:
                literal = self.as_it_is[wanted.key, pk] = model.new_bool_var("")
                choices.append(literal)
                if drying is not None:
                    busy = wanted.due + wanted.prints
                    model.add(drying.start >= busy).only_enforce_if(literal, drying.present)
            if drying is not None and not (one.fixed and one.fixed.keeps is None):
                literal = self.dried[wanted.key, pk] = model.new_bool_var("")
                choices.append(literal)
                model.add_implication(literal, drying.present)
                model.add(late >= drying.end - wanted.due).only_enforce_if(literal)
                keeps = {(way.dryer, way.mode): way.keeps for way in one.ways}
                if one.fixed:
                    keeps = {(one.fixed.dryer, one.fixed.mode): one.fixed.keeps or 0}
                for key, way in drying.ways.items():
                    model.add(drying.end >= wanted.due - keeps[key]).only_enforce_if(literal, way)
        self.unserved[wanted.key] = model.new_bool_var("")
        model.add_exactly_one(*choices, self.unserved[wanted.key])
        self.late[wanted.key] = late

    def _grams(self, one: Stock) -> None:
        masses_g = {wanted.key: wanted.mass_g for wanted in self.week.wanted}
        used = [
            masses_g[key] * literal
            for literals in (self.as_it_is, self.dried)
            for (key, pk), literal in literals.items()
            if pk == one.spool
        ]
        if used:
            self.model.add(sum(used) <= one.mass_g)

    def _aims(self) -> list[Expression]:
        """What is made as small as possible, in turn."""
        week, dryings = self.week, self.dryings.values()
        first = week.handy[0]
        weights = {one.key: one.weight for one in week.wanted}
        late = sum(weights[key] * (self.late[key] + week.unserved * self.unserved[key]) for key in self.late)
        hot = sum(one.end - one.start for one in dryings)
        ons = []
        for pk, one in self.dryings.items():
            joined = [
                literal
                for (a, b), pair in self.pairs.items()
                for literal in ([pair.first_joins] if pk == a else [pair.second_joins] if pk == b else [])
                if literal is not None
            ]
            on = self.model.new_bool_var("")
            self.model.add(on + sum(joined) >= one.present)
            ons.append(on)
        starts = sum(one.start - first + first * one.present for one in dryings)
        return [late, hot, sum(ons) * (len(ons) * week.slots + 1) + starts]

    def best(self, thumb: Answer, work: float) -> Answer:
        """The answer after all aims; the rule of thumb's where nothing better is found."""
        self._hint(thumb)
        best = thumb
        for number, (aim, share) in enumerate(zip(self._aims(), SHARES, strict=True)):
            self.model.minimize(aim)
            solver = cp_model.CpSolver()
            solver.parameters.num_workers = 1
            solver.parameters.random_seed = SEED
            solver.parameters.max_deterministic_time = work * share
            solver.parameters.max_time_in_seconds = MOST_SECONDS_A_UNIT * work * share
            status = solver.solve(self.model)
            if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
                break
            better = min(best, self._answer(solver.value), key=lambda one: cost(self.week, one))
            proven = best.proven + (status == cp_model.OPTIMAL and best.proven == number)
            best = replace(better, found=True, proven=proven)
            self.model.add(aim <= round(solver.objective_value))
            self.model.clear_hints()
            for n in range(len(self.model.proto.variables)):
                variable = self.model.get_int_var_from_proto_index(n)
                self.model.add_hint(variable, solver.value(variable))
        return best

    def _answer(self, value: Callable[[Any], int]) -> Answer:
        """What the solver found, in plain numbers."""
        placed = {}
        for pk, one in self.dryings.items():
            for (dryer, mode), literal in one.ways.items():
                if value(literal):
                    placed[pk] = Placed(pk, dryer, mode, value(one.start), value(one.end))
        due = {one.key: one.due for one in self.week.wanted}
        served = [Served(key, None) for key, literal in self.unserved.items() if value(literal)]
        served += [Served(key, pk) for (key, pk), literal in self.as_it_is.items() if value(literal)]
        served += [
            Served(key, pk, dried=True, late=max(0, placed[pk].end - due[key]))
            for (key, pk), literal in self.dried.items()
            if value(literal)
        ]
        return Answer(tuple(placed.values()), tuple(sorted(served)))

    def _hint(self, answer: Answer) -> None:
        """Start from an answer that is known."""
        hint = self.model.add_hint
        placed = {one.spool: one for one in answer.placed}
        first = self.week.handy[0]
        for pk, drying in self.dryings.items():
            one = placed.get(pk)
            if not self.week.of[pk].fixed:
                start = first if one is None else one.start
                hint(drying.start, start)
                hint(drying.present, one is not None)
                for way, literal in drying.ways.items():
                    hint(literal, one is not None and way == (one.dryer, one.mode))
                for n, literal in enumerate(drying.parts):
                    hint(literal, n == self.week.part_of(start))
            hint(drying.end, first if one is None else one.end)
        served = {one.key: one for one in answer.served}
        for key, literal in self.unserved.items():
            hint(literal, served[key].spool is None)
            hint(self.late[key], served[key].late)
        for dried, literals in ((False, self.as_it_is), (True, self.dried)):
            for (key, pk), literal in literals.items():
                hint(literal, (served[key].spool, served[key].dried) == (pk, dried))
        for (a, b), pair in self.pairs.items():
            if a not in placed or b not in placed:
                continue
            one, other = placed[a], placed[b]
            hint(pair.before, one.end <= other.start)
            hint(pair.after, other.end <= one.start)
            hint(pair.together, (one.dryer, one.mode) == (other.dryer, other.mode))
            if pair.first_joins is not None and pair.second_joins is not None:
                hint(pair.first_joins, joins(one, other, earlier=False))
                hint(pair.second_joins, joins(other, one, earlier=True))
