"""Whether a plan of the week holds, looked at anew: each drying simulated from the facts as they are now.

Nothing here is shared with the solver or with what it is given: a slip there is found here. A plan whose
facts have changed since, such as a run that is late or a spool that is empty, is found out in the same way.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import combinations

from django.utils import timezone

from spools.air.climate import Climate, heated_rh_pct, room_airs
from spools.catalogue.values import material_values
from spools.codes import pretty
from spools.drying import heat_budget
from spools.drying.caps import compute_cap
from spools.drying.gate import open_runs
from spools.drying.week.places import capacity_of, driest_storage, smell_of
from spools.drying.week.slots import StaffedHours
from spools.inventory.ledger import remaining_by_spool
from spools.models import DryingRun, Place, PlannedDrying, PlannedPrint, Spool, WeekPlan
from spools.moisture.state import moisture_of
from spools.physics_inputs import DOUBT, SMALL_JOB_G, ConstantAir, Winding, advance_windings
from spools.wording import format_time

# A spool may go in that much later than planned.
GRACE = timedelta(minutes=30)


@dataclass(frozen=True)
class Violation:
    """What does not hold any more, and of which drying or print."""

    subject: PlannedDrying | PlannedPrint
    text: str

    @property
    def drying(self) -> PlannedDrying | None:
        """The drying that it is about, if it is about one."""
        return self.subject if isinstance(self.subject, PlannedDrying) else None


@dataclass(frozen=True)
class _Inside:
    """A spool in a dryer: a run that goes on, or a drying that is planned."""

    spool: Spool
    dryer: Place
    start: datetime
    end: datetime
    of: PlannedDrying | DryingRun

    def set_point_at(self, at: datetime) -> float:
        """°C, at a time."""
        if isinstance(self.of, DryingRun):
            return self.of.set_point_at(at)
        if self.of.first_hours is None or self.of.first_set_point_c is None:
            return self.of.set_point_c
        change = self.start + timedelta(hours=self.of.first_hours)
        return self.of.first_set_point_c if at < change else self.of.set_point_c


def find_violations(plan: WeekPlan, now: datetime | None = None) -> list[Violation]:
    """All that is wrong with what is left of a plan; nothing where it holds."""
    now = now or timezone.now()
    dryings = list(plan.standing())
    prints = list(plan.prints.select_related("wanted", "spool__feedstock__polymer"))
    ahead = [one for one in dryings if one.run_id is None]
    runs = list(open_runs())
    faults = [fault for one in ahead if (fault := _cannot_begin(one, runs, now))]
    broken = {fault.subject.pk for fault in faults}
    sound = [one for one in ahead if one.pk not in broken]
    faults += _hands(sound, plan)
    faults += _caps(sound)
    faults += _together(sound, runs, now)
    faults += _heat(sound, now)
    dried, wet = _dried(sound, now)
    return faults + wet + _prints(prints, dryings, runs, dried, broken, now)


def _cannot_begin(one: PlannedDrying, runs: Sequence[DryingRun], now: datetime) -> Violation | None:
    code = pretty(one.spool.code)
    if one.spool.emptied_at is not None:
        return Violation(one, f"Spool {code} was marked empty on {format_time(one.spool.emptied_at)}.")
    run = next((run for run in runs if run.spool_id == one.spool_id), None)
    if run is not None:
        return Violation(one, f"Spool {code} is drying in {run.dryer} since {format_time(run.start)}.")
    if one.start + GRACE < now:
        return Violation(one, f"Spool {code} should have gone into {one.dryer} on {format_time(one.start)}.")
    return None


def _hands(dryings: Sequence[PlannedDrying], plan: WeekPlan) -> list[Violation]:
    """Who was placed by hand may go in at any hour."""
    hands = StaffedHours(plan.staffed_from, plan.staffed_to)
    return [
        Violation(one, f"Nobody is there on {format_time(at)} to put {pretty(one.spool.code)} {what}.")
        for one in dryings
        if not one.pinned
        for at, what in ((one.start, "in"), (one.end, "away"))
        if not hands.at(at)
    ]


def _caps(dryings: Sequence[PlannedDrying]) -> list[Violation]:
    faults = []
    for one in dryings:
        own = compute_cap(one.spool, one.dryer)
        first_c = one.set_point_c if one.first_set_point_c is None else one.first_set_point_c
        if one.set_point_c > own.cap_c:
            faults.append(Violation(one, f"{one.set_point_c:g} °C is too hot: {own.reason}."))
        elif first_c > own.start_c:
            faults.append(Violation(one, f"{first_c:g} °C is too hot to start at: {own.start_reason}."))
    return faults


def _together(dryings: Sequence[PlannedDrying], runs: Sequence[DryingRun], now: datetime) -> list[Violation]:
    """Who is in a dryer at the same time: one set point, no smells that mix, and room for all."""
    inside = [_Inside(one.spool, one.dryer, one.start, one.end, one) for one in dryings]
    for run in runs:
        inside.append(_Inside(run.spool, run.dryer, run.start, max(run.planned_end, now), run))
    faults = []
    for one, other in combinations(inside, 2):
        begin, end = max(one.start, other.start), min(one.end, other.end)
        subject = next((each.of for each in (one, other) if isinstance(each.of, PlannedDrying)), None)
        if one.dryer.pk != other.dryer.pk or begin >= end or subject is None:
            continue
        who = f"{pretty(one.spool.code)} and {pretty(other.spool.code)} are both in {one.dryer} then, and"
        changes = [
            each.start + timedelta(hours=each.of.first_hours) for each in (one, other) if each.of.first_hours
        ]
        marks = [begin, *(mark for mark in changes if begin < mark < end)]
        if any(one.set_point_at(mark) != other.set_point_at(mark) for mark in marks):
            faults.append(Violation(subject, f"{who} it cannot be set to both of their temperatures."))
        smells = {smell_of(one.spool), smell_of(other.spool)}
        if len(smells) > 1:
            faults.append(Violation(subject, f"{who} one takes on the smell of the other ({max(smells)})."))
    for each in inside:
        if isinstance(each.of, PlannedDrying):
            at_once = [
                other
                for other in inside
                if other.dryer.pk == each.dryer.pk and other.start <= each.start < other.end
            ]
            running = sum(run.dryer_id == each.dryer.pk for run in runs)
            if len(at_once) > capacity_of(each.dryer, running):
                faults.append(
                    Violation(
                        each.of,
                        f"{each.dryer} is full on {format_time(each.start)}: {len(at_once)} spools would be in it.",
                    )
                )
    return faults


def _heat(dryings: Sequence[PlannedDrying], now: datetime) -> list[Violation]:
    states = moisture_of([one.spool for one in dryings], now) if dryings else {}
    faults = []
    for one in dryings:
        of_run = heat_budget.run_share(one.spool, one.stages) or 0.0
        state = states[one.spool_id]
        had = heat_budget.compute_heat(one.spool, state.history.runs, now).life_share or 0.0
        of_life = had + (heat_budget.life_share(one.spool, one.stages) or 0.0)
        if max(of_run, of_life) > heat_budget.ALL + 1e-9:
            faults.append(
                Violation(
                    one, f"{one.hours:g} h at {one.temperatures} are more heat than a polyamide may have."
                )
            )
    return faults


def _dried(dryings: Sequence[PlannedDrying], now: datetime) -> tuple[dict[int, Winding], list[Violation]]:
    """Each spool's winding when it comes out, by its id, and which are not dry then."""
    windings, faults = {}, []
    for one in dryings:
        start = max(now, one.start)
        state = moisture_of([one.spool], start)[one.spool_id]
        room = room_airs([one.dryer], start)[one.dryer_id]
        (dried,) = advance_windings([(state.winding, [_heated(room, *stage) for stage in one.stages])])
        windings[one.spool_id] = dried
        over = float((dried.outer_pct(one.mass_g) > one.target_pct).mean())
        if over > DOUBT:
            faults.append(
                Violation(
                    one,
                    f"After {one.hours:g} h at {one.temperatures} spool {pretty(one.spool.code)} "
                    f"{chance_of(over)} not below {one.target_pct:.2g} % "
                    f"({100 * over:.0f} % chance of more).",
                )
            )
    return windings, faults


def _heated(room: Climate, celsius: float, hours: float) -> ConstantAir:
    return ConstantAir(hours, celsius, heated_rh_pct(room.temperature_c, room.rh_pct, celsius), True)


def _prints(
    prints: Sequence[PlannedPrint],
    dryings: Sequence[PlannedDrying],
    runs: Sequence[DryingRun],
    dried: dict[int, Winding],
    broken: set[int],
    now: datetime,
) -> list[Violation]:
    """Prints for which a spool has too little on it, or is not good at the time."""
    planned = {one.spool_id: one for one in dryings}
    drying_now = {run.spool_id: run for run in runs}
    left = {
        pk: amount.low_g for pk, amount in remaining_by_spool([p.spool for p in prints if p.spool]).items()
    }
    faults = []
    for one in prints:
        spool, due = one.spool, max(now, one.wanted.due_at)
        if spool is None or one.wanted.withdrawn_at is not None:
            continue
        code = pretty(spool.code)
        left[spool.pk] -= one.wanted.mass_g
        if left[spool.pk] < -1:
            faults.append(Violation(one, f"Spool {code} does not surely hold that much any more."))
            continue
        drying_of, run = planned.get(spool.pk), drying_now.get(spool.pk)
        if one.dried and drying_of is None and run is None:
            winding = moisture_of([spool], due)[spool.pk].winding
        elif one.dried and spool.pk in dried and drying_of is not None:
            winding = _kept(dried[spool.pk], drying_of.end, due)
        elif one.dried and run is not None:
            done = max(now, drying_of.dry_at if drying_of else one.good_at or now)
            winding = _kept(moisture_of([spool], done)[spool.pk].winding, done, due)
        elif one.dried and drying_of is not None and drying_of.pk in broken:
            faults.append(Violation(one, f"It waits for the drying of {code}, which does not hold any more."))
            continue
        else:
            winding = moisture_of([spool], due)[spool.pk].winding
        limit_pct = material_values(spool.feedstock).limit_hold_pct
        outer_g = [min(SMALL_JOB_G, one.wanted.mass_g), one.wanted.mass_g]
        over = max(float((winding.outer_pct(mass_g) > limit_pct).mean()) for mass_g in outer_g)
        if over > DOUBT:
            faults.append(
                Violation(
                    one,
                    f"Spool {code} {chance_of(over)} over the print limit of {limit_pct:.2g} % by "
                    f"{format_time(due)} ({100 * over:.0f} % chance).",
                )
            )
    return faults


def chance_of(over: float) -> str:
    """In words."""
    return "is likely" if over > 0.5 else "may be"


def _kept(dried: Winding, out: datetime, until: datetime) -> Winding:
    """A dried winding after its time in storage; as it was where it comes straight from the dryer."""
    where = driest_storage()
    if where is None or until <= out:
        return dried
    place, climate = where
    hours = (until - out) / timedelta(hours=1)
    return advance_windings(
        [(dried, [ConstantAir(hours, climate.temperature_c, climate.rh_pct, place.moved_air)])]
    )[0]
