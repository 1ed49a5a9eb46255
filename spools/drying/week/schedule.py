"""The drying plan of the week: what is wanted, a proposal of what dries when, accepted, changed, begun.

A proposal is worked out outside any transaction: gathered, solved, and only then stored. What is accepted
may be changed by hand; what was placed by hand is pinned, and stays when it is planned again.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, time, timedelta
from typing import Any

from django.db import transaction
from django.db.models import QuerySet
from django.utils import timezone

from background.queue import enqueue
from spools import limits
from spools.checks import lock_spool_facts, require_within
from spools.codes import pretty
from spools.drying import runs as drying_runs
from spools.drying.gate import require_dryer
from spools.drying.week.heuristic import plan_week
from spools.drying.week.model import Answer, Assignment, ScheduledDrying
from spools.drying.week.problem import Problem, build_problem
from spools.drying.week.single import compute_single_drying
from spools.drying.week.slots import LONGEST_AHEAD, SLOT, SLOTS_H, StaffedHours, next_slot
from spools.drying.week.verify import Violation, find_violations
from spools.models import (
    Feedstock,
    Place,
    PlannedDrying,
    PlannedPrint,
    Polymer,
    PrintRequest,
    Spool,
    WeekPlan,
)
from spools.refusals import refusal
from spools.wording import format_time

# Spools times dryers up to which a plan is computed while somebody waits: about 2 s of one core.
MOST_NOW = 60
DEFAULT_HOURS = StaffedHours(time(7), time(22))


def print_requests() -> QuerySet[PrintRequest]:
    """The prints on the list, what is due first at the top."""
    return PrintRequest.objects.filter(withdrawn_at=None).select_related(
        "spool__feedstock__maker", "feedstock__maker", "feedstock__polymer", "polymer"
    )


@transaction.atomic
def add_print_request(
    of: Spool | Feedstock | Polymer,
    mass_g: float,
    due_at: datetime,
    *,
    name: str = "",
    pressing: bool = False,
    by: Any = None,
) -> PrintRequest:
    """Put a print on the list: grams of a spool or material that are to be good by a time.

    Refused: a time that is over or more than a week ahead.
    """
    mass_g = require_within("mass_g", mass_g, *limits.NEEDED_G)
    now = timezone.now()
    if timezone.is_naive(due_at):
        raise refusal("no_zone", "Give the time with its zone, such as 2026-01-31T08:00Z.", "due_at")
    if not now < due_at <= now + LONGEST_AHEAD:
        raise refusal(
            "too_far_ahead",
            f"Give a time within the next {LONGEST_AHEAD.days} days; got {_safely(due_at)}.",
            "due_at",
        )
    wanted = PrintRequest(name=name.strip(), mass_g=mass_g, due_at=due_at, pressing=pressing, recorded_by=by)
    if isinstance(of, Spool):
        if of.emptied_at is not None:
            raise refusal("spool_empty", f"Spool {pretty(of.code)} is empty. Choose another one.", "of")
        wanted.spool = of
    elif isinstance(of, Feedstock):
        wanted.feedstock = of
    else:
        wanted.polymer = of
    wanted.full_clean()
    wanted.save()
    return wanted


def _safely(at: datetime) -> str:
    """A time as people read it; at the calendar's ends as it came."""
    return format_time(at) if 2000 <= at.year < 2200 else f"the year {at.year}"


@transaction.atomic
def withdraw_request(wanted: PrintRequest, *, by: Any = None) -> PrintRequest:
    """Take a print off the list: printed, or not wanted any more."""
    wanted = PrintRequest.objects.select_for_update(no_key=True).get(pk=wanted.pk)
    if wanted.withdrawn_at is not None:
        raise refusal(
            "withdrawn_already", f"It was taken off the list on {format_time(wanted.withdrawn_at)} already."
        )
    wanted.withdrawn_at, wanted.withdrawn_by = timezone.now(), by
    wanted.save(update_fields=["withdrawn_at", "withdrawn_by"])
    return wanted


# Plans


def accepted_plan() -> WeekPlan | None:
    """The plan that the shop goes by."""
    return WeekPlan.objects.filter(accepted_at__isnull=False, ended_at=None).first()


def proposal() -> WeekPlan | None:
    """The plan that waits to be accepted, or that is being worked out."""
    return WeekPlan.objects.filter(accepted_at=None, ended_at=None).first()


@transaction.atomic
def ask_for_plan(hands: StaffedHours = DEFAULT_HOURS, *, by: Any = None) -> WeekPlan:
    """A plan to be worked out by work_out(); it takes the place of a proposal that nobody accepted.

    Refused: without prints on the list, and hours that end before they begin.
    """
    if hands.opens >= hands.closes:
        raise refusal(
            "no_staffed_hours",
            "Somebody must be there for a while: give a later hour than the first.",
            "staffed_to",
        )
    if not print_requests().exists():
        raise refusal("no_request", "No print is wanted. Add one to the list first.")
    lock_spool_facts()
    WeekPlan.objects.filter(accepted_at=None, ended_at=None).update(ended_at=timezone.now())
    return WeekPlan.objects.create(staffed_from=hands.opens, staffed_to=hands.closes, asked_by=by)


@dataclass(frozen=True)
class WorkedOut:
    """A plan that waits to be stored."""

    facts: Problem
    answer: Answer
    reasons: dict[int, str]


def small_enough() -> bool:
    """Whether a plan can be worked out while somebody waits."""
    spools = Spool.objects.filter(emptied_at=None).count()
    dryers = Place.objects.filter(kind=Place.Kind.DRYER).count()
    return min(spools, 2 * print_requests().count()) * dryers <= MOST_NOW


def work_out(plan: WeekPlan, now: datetime | None = None) -> WorkedOut:
    """The best plan that is found. Reads only; needs no transaction, and should not be in one."""
    accepted = accepted_plan()
    kept = accepted.standing().filter(pinned=True, run=None) if accepted else []
    facts = build_problem(list(print_requests()), StaffedHours(plan.staffed_from, plan.staffed_to), kept, now)
    answer = plan_week(facts.week)
    return WorkedOut(facts, answer, {one.key: _why(facts, one) for one in answer.served})


def begin(plan: WeekPlan) -> WeekPlan:
    """Work a plan out at once where that is quick, else put it in the queue."""
    if small_enough():
        return store(plan, work_out(plan))
    enqueue("spools.plan_week", {"plan_id": plan.pk})
    return plan


@transaction.atomic
def store(plan: WeekPlan, worked_out: WorkedOut) -> WeekPlan:
    """Keep what was worked out. A plan that was turned down meanwhile stays as it is."""
    lock_spool_facts()
    plan = WeekPlan.objects.select_for_update(no_key=True).get(pk=plan.pk)
    if plan.ended_at is not None or plan.made_at is not None:
        return plan
    facts, answer = worked_out.facts, worked_out.answer
    settled = {one.spool for one in facts.week.stock if one.fixed is not None}
    ends = {one.spool: facts.at(one.end) for one in answer.placed}
    pinned = {}
    if (accepted := accepted_plan()) is not None:
        pinned = {one.spool_id: one for one in accepted.standing().filter(pinned=True, run=None)}
    PlannedDrying.objects.bulk_create(
        _planned_again(plan, pinned[one.spool]) if one.spool in settled else _planned(plan, facts, one)
        for one in answer.placed
        if one.spool not in settled or one.spool in pinned
    )
    PlannedPrint.objects.bulk_create(
        PlannedPrint(
            plan=plan,
            wanted=facts.requests[one.key],
            spool_id=one.spool,
            dried=one.dried,
            good_at=ends[one.spool] if one.dried and one.spool is not None else None,
            why=worked_out.reasons[one.key],
        )
        for one in answer.served
    )
    plan.made_at, plan.notes = timezone.now(), facts.notes
    plan.save(update_fields=["made_at", "notes"])
    return plan


def _planned(plan: WeekPlan, facts: Problem, one: ScheduledDrying) -> PlannedDrying:
    detail = facts.details[one.spool, one.dryer, one.mode]
    spool = facts.spools[one.spool]
    return PlannedDrying(
        plan=plan,
        spool=spool,
        dryer=facts.dryers[one.dryer],
        first_set_point_c=detail.first.set_point_c if detail.first else None,
        first_hours=detail.first.hours if detail.first else None,
        set_point_c=one.mode.set_point_c,
        start=facts.at(one.start),
        end=facts.at(one.end),
        target_pct=drying_runs.default_target_pct(spool),
        mass_g=detail.mass_g,
    )


def _planned_again(plan: WeekPlan, old: PlannedDrying) -> PlannedDrying:
    """A pinned drying as it was."""
    names = [
        "spool",
        "dryer",
        "first_set_point_c",
        "first_hours",
        "set_point_c",
        "start",
        "end",
        "target_pct",
    ]
    kept = {name: getattr(old, name) for name in [*names, "mass_g", "pinned", "recorded_by"]}
    return PlannedDrying(plan=plan, **kept)


def _why(facts: Problem, served: Assignment) -> str:
    """Why a print is late or not made; empty for one that is in time."""
    wanted = facts.requests[served.key]
    if served.spool is not None and not served.late:
        return ""
    (numbers,) = [one for one in facts.week.wanted if one.key == served.key]
    if not facts.matching[served.key]:
        return f"There is no spool of {wanted.material}. Receive one, or choose another material."
    if not numbers.spools:
        most = max(facts.matching[served.key], key=lambda spool: facts.amounts[spool.pk].low_g)
        amount = facts.amounts[most.pk]
        return (
            f"No spool of it surely holds {wanted.mass_g:g} g: {pretty(most.code)} has {amount.low_g:.0f} to "
            f"{amount.high_g:.0f} g. Weigh it, or take another material."
        )
    if not facts.dryers:
        return "It is not good as it is, and there is no dryer. Add one as a place."
    only = replace(facts.week, wanted=(numbers,))
    (alone,) = plan_week(only, steps=0).served
    if alone.spool is None:
        lacking = dict.fromkeys(facts.lacking[pk] for pk in numbers.spools if pk in facts.lacking)
        reason = "; ".join(lacking) or "no drying ends so that it is still good at its time"
        return f"It is not good as it is, and {reason}."
    # The heuristic does not always find the best plan; no plan is earlier than the earliest.
    earliest = alone.late if served.spool is None else min(alone.late, served.late)
    good_at = facts.at(numbers.due + earliest)
    if earliest == served.late and served.spool is not None:
        return f"Even with the dryers to itself it is good on {format_time(good_at)} at the earliest."
    if earliest:
        return (
            f"With the dryers to itself it could be good on {format_time(good_at)} at the earliest; others are "
            "dried first."
        )
    if served.spool is None:
        return "Its spools are used up by the other prints, or there are not enough hours in the dryers."
    return "There are not enough hours in the dryers: with them to itself it would be in time."


@transaction.atomic
def accept(plan: WeekPlan, *, by: Any = None) -> WeekPlan:
    """Go by this plan from now on; the one before ends. Refused: one that is not there, or is over."""
    lock_spool_facts()
    plan = WeekPlan.objects.select_for_update(no_key=True).get(pk=plan.pk)
    if plan.made_at is None:
        raise refusal("still_calculating", "This plan is still being worked out. Look again in a moment.")
    if plan.ended_at is not None:
        raise refusal("superseded", "Another plan has taken the place of this one. Look at that.")
    if plan.accepted_at is not None:
        raise refusal(
            "accepted_already", f"This plan was accepted on {format_time(plan.accepted_at)} already."
        )
    now = timezone.now()
    WeekPlan.objects.filter(accepted_at__isnull=False, ended_at=None).update(ended_at=now)
    plan.accepted_at, plan.accepted_by = now, by
    plan.save(update_fields=["accepted_at", "accepted_by"])
    return plan


@transaction.atomic
def reject(plan: WeekPlan) -> WeekPlan:
    """End a plan, accepted or not; what is drying goes on. Refused: one that has ended."""
    plan = WeekPlan.objects.select_for_update(no_key=True).get(pk=plan.pk)
    if plan.ended_at is not None:
        raise refusal(
            "ended_already",
            f"This plan ended on {format_time(plan.ended_at)} already. Look at the present one.",
        )
    plan.ended_at = timezone.now()
    plan.save(update_fields=["ended_at"])
    return plan


# Changes by hand


def _standing(planned: PlannedDrying) -> PlannedDrying:
    """The drying as stored, its row locked; refused where nothing can be changed in it any more."""
    lock_spool_facts()
    planned = (
        PlannedDrying.objects.select_for_update(no_key=True, of=("self",))
        .select_related("plan", "spool__feedstock__polymer", "dryer__room")
        .get(pk=planned.pk)
    )
    if planned.run_id is not None:
        raise refusal("begun", "It has begun. Take the spool out on the drying page.")
    if planned.ended_at is not None or planned.plan.ended_at is not None:
        raise refusal("not_planned", "It is planned no more. Look at the plan again.")
    return planned


def _end(planned: PlannedDrying, by: Any) -> None:
    planned.ended_at, planned.ended_by = timezone.now(), by
    planned.save(update_fields=["ended_at", "ended_by"])


@transaction.atomic
def cancel(planned: PlannedDrying, *, by: Any = None) -> PlannedDrying:
    """Leave a planned drying out."""
    planned = _standing(planned)
    _end(planned, by)
    return planned


@transaction.atomic
def pin(planned: PlannedDrying, pinned: bool = True) -> PlannedDrying:
    """Keep it as it is when it is planned again, or no more."""
    planned = _standing(planned)
    planned.pinned = pinned
    planned.save(update_fields=["pinned"])
    return planned


def move(
    planned: PlannedDrying,
    *,
    dryer: Place,
    start: datetime,
    set_point_c: float | None = None,
    by: Any = None,
) -> tuple[PlannedDrying, list[str]]:
    """Place a drying by hand: another dryer, another time. It is pinned then, and as long as it takes there.

    Returns the new row, and what else it makes of the plan. Refused: a time that is over, a set point above
    the cap or too cool to get it dry, a dryer that does something else then, is full, or would mix smells.
    """
    require_dryer(dryer)
    if timezone.is_naive(start):
        raise refusal("no_zone", "Give the time with its zone, such as 2026-01-31T08:00Z.", "start")
    now = timezone.now()
    if not now - SLOT <= start <= now + LONGEST_AHEAD:
        raise refusal("too_far_ahead", f"Give a time within the next {LONGEST_AHEAD.days} days.", "start")
    start = next_slot(max(start, now))
    celsius = (
        planned.set_point_c
        if set_point_c is None
        else require_within("set_point_c", set_point_c, *limits.SET_POINT_C)
    )
    first, hours = compute_single_drying(planned.spool, dryer, start, celsius, planned.mass_g)
    with transaction.atomic():
        old = _standing(planned)
        before = _consequences(old.plan, now)
        _end(old, by)
        new = PlannedDrying.objects.create(
            plan=old.plan,
            spool=old.spool,
            dryer=dryer,
            first_set_point_c=first.set_point_c if first else None,
            first_hours=first.hours if first else None,
            set_point_c=celsius,
            start=start,
            end=start + math.ceil(hours * SLOTS_H) * SLOT,
            target_pct=old.target_pct,
            mass_g=old.mass_g,
            pinned=True,
            recorded_by=by,
        )
        if own := [fault.text for fault in find_violations(old.plan, now) if fault.drying == new]:
            raise refusal("impossible_start", " ".join(own), "start")
        after = _consequences(old.plan, now)
    return new, [text for text in after if text not in before]


def _consequences(plan: WeekPlan, now: datetime) -> list[str]:
    """All that a plan does not do as it should."""
    late = [
        f"{one.planned.wanted} is good on {format_time(one.good_at)}, {one.late_h:.3g} h late."
        for one in told(plan, list(plan.standing()))
        if one.good_at is not None and one.late_h
    ]
    return [*(fault.text for fault in find_violations(plan, now)), *late]


# What a plan says


@dataclass(frozen=True)
class Told:
    """A wanted print in a plan: good from when (None: as it is, or never), and hours late.

    broken: whether it, or the drying that it waits for, no longer holds.
    """

    planned: PlannedPrint
    good_at: datetime | None
    late_h: float
    broken: bool

    @property
    def state(self) -> str:
        """In a word or two: in time, in doubt, late or missing."""
        if self.planned.spool_id is None or (self.planned.dried and self.good_at is None):
            return "missing"
        if self.late_h > 0:
            return "late"
        return "in doubt" if self.broken else "in time"

    @property
    def why(self) -> str:
        """Why it is late, missing or in doubt; empty for one that is in time."""
        if self.state == "missing" and not self.planned.why:
            return "Its drying was dropped. Plan again to have it back."
        if self.broken:
            again = "What was planned for it no longer holds. Plan again."
            return f"{self.planned.why} {again}".strip()
        return self.planned.why


def told(plan: WeekPlan, dryings: Sequence[PlannedDrying], faults: Sequence[Violation] = ()) -> list[Told]:
    """What becomes of each print that is still wanted, by the dryings as they are now; faults: its own."""
    broken = {fault.subject for fault in faults}
    wet = {fault.drying.spool_id for fault in faults if fault.drying is not None}
    ends = {one.spool_id: one.dry_at for one in dryings}
    # What waits for a run that went on already keeps the time that was foreseen.
    changed = set(plan.dryings.exclude(ended_at=None).values_list("spool", flat=True))
    prints = plan.prints.filter(wanted__withdrawn_at=None).select_related(
        "wanted__spool__feedstock__maker",
        "wanted__feedstock__maker",
        "wanted__polymer",
        "spool__feedstock__maker",
    )
    rows = []
    for one in prints:
        good_at = ends.get(one.spool_id) if one.dried and one.spool_id is not None else None
        if good_at is None and one.spool_id not in changed:
            good_at = one.good_at
        late = timedelta(0) if good_at is None else max(timedelta(0), good_at - one.wanted.due_at)
        waits = one.dried and one.spool_id in wet
        rows.append(Told(one, good_at, late / timedelta(hours=1), waits or one in broken))
    return rows


@dataclass(frozen=True)
class ToldAll:
    """A plan with its dryings, prints, and what no longer holds."""

    plan: WeekPlan
    dryings: list[PlannedDrying]
    prints: list[Told]
    faults: list[str]


def told_all(plan: WeekPlan) -> ToldAll:
    """All that a plan says; one that is over is not looked at anew."""
    dryings = list(plan.standing())
    faults = [] if plan.ended_at is not None else find_violations(plan)
    return ToldAll(plan, dryings, told(plan, dryings, faults), [fault.text for fault in faults])
