"""Verifies a plan of the week: simulates each drying from the facts as they are now.

It uses neither the heuristic nor the problem that the heuristic was given, so it shows their mistakes too. It
also shows what changed since the plan was made, such as a run that is late or a spool that is empty.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import combinations
from typing import Any

from django.utils import timezone

from spools.air.climate import room_airs
from spools.catalogue.values import material_values
from spools.drying import heat_budget
from spools.drying.caps import compute_cap
from spools.drying.dryers import capacity_of, smell_of
from spools.drying.gate import open_runs
from spools.drying.storage import choose_driest, load_storages, truncate
from spools.drying.week.slots import StaffedHours
from spools.inventory.ledger import remaining_by_spool
from spools.inventory.prints import PrintsBySpool, load_prints
from spools.models import DryingRun, Place, PlannedDrying, PlannedPrint, PrintRequest, Spool, WeekPlan
from spools.moisture.state import moisture_of
from spools.physics_inputs import DOUBT, SMALL_JOB_G, Winding, advance_windings
from spools.statements import Statement

# A spool may go in that much later than planned.
GRACE = timedelta(minutes=30)
# The share of members that the steps of the physics, which here end at other times, move across a limit.
STEP_ERROR = 1 / 32
# An amount is rounded: less than this is not missing.
TOLERANCE_G = 1.0


@dataclass(frozen=True)
class Violation:
    """Why a drying or a print of a plan no longer holds."""

    subject: PlannedDrying | PlannedPrint
    reason: Statement

    @property
    def request(self) -> PrintRequest | None:
        """The print request that it is about, if it is about one."""
        return self.subject.request if isinstance(self.subject, PlannedPrint) else None

    @property
    def drying(self) -> PlannedDrying | None:
        """The drying that it is about, if it is about one."""
        return self.subject if isinstance(self.subject, PlannedDrying) else None


@dataclass(frozen=True)
class _Occupancy:
    """A spool in a dryer: a run that goes on, or a drying that is planned."""

    spool: Spool
    dryer: Place
    start: datetime
    end: datetime
    row: PlannedDrying | DryingRun

    @property
    def change_at(self) -> datetime | None:
        """When its first stage ends, if it has one."""
        return None if not self.row.first_hours else self.start + timedelta(hours=self.row.first_hours)

    def set_point_at(self, at: datetime) -> float:
        """°C, at a time."""
        if isinstance(self.row, DryingRun):
            return self.row.set_point_at(at)
        if self.change_at is None or self.row.first_set_point_c is None or at >= self.change_at:
            return self.row.set_point_c
        return self.row.first_set_point_c


def find_violations(plan: WeekPlan, now: datetime | None = None) -> list[Violation]:
    """All violations of the part of a plan that is still ahead; none where it holds."""
    now = now or timezone.now()
    dryings = list(plan.standing())
    prints = list(plan.prints.select_related("request", "spool__feedstock__polymer"))
    ahead = [planned for planned in dryings if planned.run_id is None]
    runs = list(open_runs())
    spool_prints = load_prints([planned.spool_id for planned in ahead]) if ahead else {}
    started = (_check_start(planned, runs, spool_prints, now) for planned in ahead)
    violations = [violation for violation in started if violation]
    broken = {violation.subject.pk for violation in violations}
    sound = [planned for planned in ahead if planned.pk not in broken]
    violations += _check_staffed_hours(sound, plan)
    violations += _check_caps(sound)
    violations += _check_dryers(sound, runs, now)
    violations += _check_heat(sound, now)
    dried, wet = _simulate_dryings(sound, runs, now)
    state = _PlanState(
        {planned.spool_id: planned for planned in dryings},
        {run.spool_id: run for run in runs},
        dried,
        broken,
        now,
    )
    return violations + wet + _check_prints(prints, state)


def _violation(subject: PlannedDrying | PlannedPrint, code: str, **values: Any) -> Violation:
    """A violation with its spool among the values; times are turned into texts."""
    named = {"spool": subject.spool.code} if subject.spool is not None else {}
    stated = {
        name: value.isoformat() if isinstance(value, datetime) else value for name, value in values.items()
    }
    return Violation(subject, Statement(f"violation.{code}", named | stated))


def _check_start(
    planned: PlannedDrying, runs: Sequence[DryingRun], prints: PrintsBySpool, now: datetime
) -> Violation | None:
    if planned.spool.ended_at is not None:
        return _violation(planned, "spool_ended", ended_at=planned.spool.ended_at)
    run = next((run for run in runs if run.spool_id == planned.spool_id), None)
    if run is not None:
        return _violation(planned, "drying_already", dryer=str(run.dryer), since=run.start)
    for row in prints.get(planned.spool_id, []):
        if row.start < planned.end and planned.start < row.end:
            return _violation(planned, "in_a_print", print=row.name, start=row.start, end=row.end)
    if planned.start + GRACE < now:
        return _violation(planned, "begun_late", dryer=str(planned.dryer), start=planned.start)
    return None


def _check_staffed_hours(dryings: Sequence[PlannedDrying], plan: WeekPlan) -> list[Violation]:
    """A drying that was placed by hand may start and end at any hour."""
    hours = StaffedHours(plan.staffed_from, plan.staffed_to)
    return [
        _violation(planned, code, at=at)
        for planned in dryings
        if not planned.pinned
        for at, code in ((planned.start, "nobody_puts_in"), (planned.end, "nobody_takes_out"))
        if not hours.at(at)
    ]


def _check_caps(dryings: Sequence[PlannedDrying]) -> list[Violation]:
    violations = []
    for planned in dryings:
        cap = compute_cap(planned.spool, planned.dryer)
        first_c = planned.stages[0][0]
        if planned.set_point_c > cap.cap_c:
            setting = {"set_point_c": planned.set_point_c, "cap": cap.reason.as_data()}
            violations.append(_violation(planned, "above_cap", **setting))
        elif first_c > cap.start_c:
            setting = {"set_point_c": first_c, "cap": cap.start_reason.as_data()}
            violations.append(_violation(planned, "above_start_cap", **setting))
    return violations


def _check_dryers(
    dryings: Sequence[PlannedDrying], runs: Sequence[DryingRun], now: datetime
) -> list[Violation]:
    """Spools in a dryer at the same time have one set point, one smell, and room for all."""
    inside = [
        _Occupancy(planned.spool, planned.dryer, planned.start, planned.end, planned) for planned in dryings
    ]
    inside += [_Occupancy(run.spool, run.dryer, run.start, max(run.planned_end, now), run) for run in runs]
    violations = [
        violation for first, second in combinations(inside, 2) for violation in _check_pair(first, second)
    ]
    for planned in dryings:
        beside = [
            other
            for other in inside
            if other.dryer.pk == planned.dryer_id and other.start <= planned.start < other.end
        ]
        running = sum(run.dryer_id == planned.dryer_id for run in runs)
        if len(beside) > capacity_of(planned.dryer, running):
            full = {"dryer": str(planned.dryer), "at": planned.start, "spools": len(beside)}
            violations.append(_violation(planned, "dryer_full", **full))
    return violations


def _check_pair(first: _Occupancy, second: _Occupancy) -> Iterator[Violation]:
    begin, end = max(first.start, second.start), min(first.end, second.end)
    rows = [occupancy.row for occupancy in (first, second) if isinstance(occupancy.row, PlannedDrying)]
    if first.dryer.pk != second.dryer.pk or begin >= end or not rows:
        return
    together = {"spools": [first.spool.code, second.spool.code], "dryer": str(first.dryer)}
    changes = [occupancy.change_at for occupancy in (first, second)]
    times = [begin, *(at for at in changes if at is not None and begin < at < end)]
    if any(first.set_point_at(at) != second.set_point_at(at) for at in times):
        yield _violation(rows[0], "two_set_points", **together)
    smells = {smell_of(first.spool), smell_of(second.spool)}
    if len(smells) > 1:
        yield _violation(rows[0], "takes_smell", **together, smell=max(smells))


def _check_heat(dryings: Sequence[PlannedDrying], now: datetime) -> list[Violation]:
    states = moisture_of([planned.spool for planned in dryings], now) if dryings else {}
    violations = []
    for planned in dryings:
        run_share = heat_budget.run_share(planned.spool, planned.stages) or 0.0
        runs = states[planned.spool_id].history.runs
        before = heat_budget.compute_heat(planned.spool, runs, now).life_share or 0.0
        life_share = before + (heat_budget.life_share(planned.spool, planned.stages) or 0.0)
        if max(run_share, life_share) > heat_budget.ALL + 1e-9:
            shares = {"run_share": run_share, "life_share": life_share}
            violations.append(_violation(planned, "too_much_heat", stages=planned.stages, **shares))
    return violations


def _simulate_dryings(
    dryings: Sequence[PlannedDrying], runs: Sequence[DryingRun], now: datetime
) -> tuple[dict[int, Winding], list[Violation]]:
    """The winding of each spool at the end of its drying, by spool id, and violations where it is not dry."""
    windings, violations = {}, []
    for planned in dryings:
        start = max(now, planned.start)
        winding = moisture_of([planned.spool], start)[planned.spool_id].winding
        room = room_airs([planned.dryer], start)[planned.dryer_id]
        together = _count_together(planned, dryings, runs, now)
        airs = [room.heated(*stage, together) for stage in planned.stages]
        (dried,) = advance_windings([(winding, airs)])
        windings[planned.spool_id] = dried
        over = float((dried.outer_pct(planned.mass_g) > planned.target_pct).mean())
        if over > DOUBT + STEP_ERROR:
            wet = {"over": over, "target_pct": planned.target_pct, "stages": planned.stages}
            violations.append(_violation(planned, "not_dry_enough", **wet))
    return windings, violations


def _count_together(
    planned: PlannedDrying, dryings: Sequence[PlannedDrying], runs: Sequence[DryingRun], now: datetime
) -> int:
    """How many spools dry in its dryer while it does, itself too; no more at a time than fit in."""
    running = [run for run in runs if run.dryer_id == planned.dryer_id]
    beside = sum(
        other.dryer_id == planned.dryer_id and other.start < planned.end and planned.start < other.end
        for other in dryings
    )
    beside += sum(max(run.planned_end, now) > planned.start for run in running)
    return min(beside, capacity_of(planned.dryer, len(running)))


@dataclass(frozen=True)
class _PlanState:
    """The dryings of a plan, the runs and the simulated windings by spool id; the dryings that cannot start."""

    planned: dict[int, PlannedDrying]
    runs: dict[int, DryingRun]
    dried: dict[int, Winding]
    broken: set[int]
    now: datetime


def _check_prints(prints: Sequence[PlannedPrint], state: _PlanState) -> list[Violation]:
    """Prints for which a spool holds too little, or is not good at the time."""
    amounts = remaining_by_spool([planned.spool for planned in prints if planned.spool])
    left_g = {pk: amount.low_g for pk, amount in amounts.items()}
    violations = []
    for planned in prints:
        if planned.spool is None or planned.request.withdrawn_at is not None:
            continue
        left_g[planned.spool.pk] -= planned.request.mass_g
        if left_g[planned.spool.pk] < -TOLERANCE_G:
            violations.append(_violation(planned, "not_enough_filament"))
        elif wet := _check_moisture(planned, planned.spool, state):
            violations.append(wet)
    return violations


def _check_moisture(planned: PlannedPrint, spool: Spool, state: _PlanState) -> Violation | None:
    """Why a spool may not be good when its print is due; None where it is."""
    due = max(state.now, planned.request.due_at)
    winding = _winding_when_due(planned, spool, due, state)
    if winding is None:
        return _violation(planned, "drying_broken")
    limit_pct = material_values(spool.feedstock).limit_hold_pct
    masses_g = [min(SMALL_JOB_G, planned.request.mass_g), planned.request.mass_g]
    over = max(float((winding.outer_pct(mass_g) > limit_pct).mean()) for mass_g in masses_g)
    if over <= DOUBT:
        return None
    return _violation(planned, "over_print_limit", over=over, limit_pct=limit_pct, due=due)


def _winding_when_due(
    planned: PlannedPrint, spool: Spool, due: datetime, state: _PlanState
) -> Winding | None:
    """The winding when a print is due; None where it waits for a drying that cannot start."""
    drying, run = state.planned.get(spool.pk), state.runs.get(spool.pk)
    if planned.dried and drying is not None and spool.pk in state.dried:
        return _after_storage(spool, state.dried[spool.pk], drying.end, due)
    if planned.dried and run is not None:
        dry_from = max(state.now, drying.dry_at if drying else planned.good_at or state.now)
        return _after_storage(spool, moisture_of([spool], dry_from)[spool.pk].winding, dry_from, due)
    if planned.dried and drying is not None and drying.pk in state.broken:
        return None
    return moisture_of([spool], due)[spool.pk].winding


def _after_storage(spool: Spool, dried: Winding, end: datetime, until: datetime) -> Winding:
    """A dried winding after its time in storage; unchanged where it comes straight from the dryer."""
    storage = choose_driest(load_storages(), spool, dried)
    if storage is None or until <= end:
        return dried
    airs = truncate(storage.airs(spool, dried), (until - end) / timedelta(hours=1))
    (stored,) = advance_windings([(dried, airs)])
    return stored
