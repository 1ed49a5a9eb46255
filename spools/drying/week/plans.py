"""Plans of the drying week: requested, computed and stored as a proposal, then accepted or rejected.

A proposal is computed outside any transaction and only stored in one. Dryings that were placed by hand are
pinned, and stay in the next plan.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, time
from typing import Any

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext as _

from background.queue import enqueue
from spools.checks import lock_spool_facts
from spools.drying.runs import default_target_pct
from spools.drying.week.heuristic import plan_week
from spools.drying.week.model import ScheduledDrying, WeekSchedule
from spools.drying.week.problem import Problem, build_problem
from spools.drying.week.reasons import explain_assignment
from spools.drying.week.requests import open_requests
from spools.drying.week.slots import StaffedHours
from spools.invalidation import invalidate_advice
from spools.models import PlannedDrying, PlannedPrint, WeekPlan
from spools.refusals import refusal
from spools.statements import Statement
from spools.wording import format_time

DEFAULT_HOURS = StaffedHours(time(7), time(22))


def accepted_plan() -> WeekPlan | None:
    """The plan that the shop follows."""
    return WeekPlan.objects.filter(accepted_at__isnull=False, ended_at=None).first()


def proposal() -> WeekPlan | None:
    """The plan that waits to be accepted, or that is being computed."""
    return WeekPlan.objects.filter(accepted_at=None, ended_at=None).first()


@transaction.atomic
def create_plan(hours: StaffedHours = DEFAULT_HOURS, *, by: Any = None) -> WeekPlan:
    """Add a plan, which a worker computes at once; it replaces a proposal that nobody accepted.

    Refused: without requests on the list, and hours that end before they begin.
    """
    if hours.opens >= hours.closes:
        raise refusal(
            "no_staffed_hours",
            _("Somebody must be there for a while: give a later hour than the first."),
            "staffed_to",
        )
    if not open_requests().exists():
        raise refusal("no_request", _("There is no print request. Add one first."))
    lock_spool_facts()
    WeekPlan.objects.filter(accepted_at=None, ended_at=None).update(ended_at=timezone.now())
    plan = WeekPlan.objects.create(staffed_from=hours.opens, staffed_to=hours.closes, asked_by=by)
    enqueue("spools.plan_week", {"plan_id": plan.pk})
    return plan


@dataclass(frozen=True)
class ComputedPlan:
    """A plan that waits to be stored. reasons: by request id."""

    problem: Problem
    schedule: WeekSchedule
    reasons: dict[int, Statement | None]


def compute_plan(plan: WeekPlan, now: datetime | None = None) -> ComputedPlan:
    """Compute the dryings of a plan. Reads only; call it outside a transaction."""
    accepted = accepted_plan()
    pinned = accepted.standing().filter(pinned=True, run=None) if accepted else []
    hours = StaffedHours(plan.staffed_from, plan.staffed_to)
    problem = build_problem(list(open_requests()), hours, pinned, now)
    schedule = plan_week(problem.week)
    reasons = {assignment.key: explain_assignment(problem, assignment) for assignment in schedule.assignments}
    return ComputedPlan(problem, schedule, reasons)


@transaction.atomic
def store_plan(plan: WeekPlan, computed: ComputedPlan) -> WeekPlan:
    """Store a computed plan. A plan that was rejected or stored meanwhile stays as it is."""
    lock_spool_facts()
    plan = WeekPlan.objects.select_for_update(no_key=True).get(pk=plan.pk)
    if plan.ended_at is not None or plan.made_at is not None:
        return plan
    problem, schedule = computed.problem, computed.schedule
    ends = {drying.spool: problem.at(drying.end) for drying in schedule.dryings}
    PlannedDrying.objects.bulk_create(_planned_dryings(plan, computed))
    PlannedPrint.objects.bulk_create(
        PlannedPrint(
            plan=plan,
            request=problem.requests[assignment.key],
            spool_id=assignment.spool,
            dried=assignment.dried,
            good_at=ends[assignment.spool] if assignment.dried and assignment.spool is not None else None,
            reason=computed.reasons[assignment.key],
        )
        for assignment in schedule.assignments
    )
    plan.made_at, plan.notes = timezone.now(), problem.notes
    plan.save(update_fields=["made_at", "notes"])
    return plan


def _planned_dryings(plan: WeekPlan, computed: ComputedPlan) -> Iterator[PlannedDrying]:
    """The rows of the new dryings, and of the pinned ones as they were; runs that go on have none."""
    problem = computed.problem
    settled = {supply.spool for supply in problem.week.supplies if supply.fixed is not None}
    accepted = accepted_plan()
    standing = accepted.standing().filter(pinned=True, run=None) if accepted else []
    pinned = {planned.spool_id: planned for planned in standing}
    for drying in computed.schedule.dryings:
        if drying.spool not in settled:
            yield _planned_drying(plan, problem, drying)
        elif drying.spool in pinned:
            yield _copy_pinned(plan, pinned[drying.spool])


def _planned_drying(plan: WeekPlan, problem: Problem, drying: ScheduledDrying) -> PlannedDrying:
    detail = problem.details[drying.spool, drying.dryer, drying.mode]
    spool = problem.spools[drying.spool]
    return PlannedDrying(
        plan=plan,
        spool=spool,
        dryer=problem.dryers[drying.dryer],
        first_set_point_c=detail.first.set_point_c if detail.first else None,
        first_hours=detail.first.hours if detail.first else None,
        set_point_c=drying.mode.set_point_c,
        start=problem.at(drying.start),
        end=problem.at(drying.end),
        target_pct=default_target_pct(spool),
        mass_g=detail.mass_g,
    )


def _copy_pinned(plan: WeekPlan, old: PlannedDrying) -> PlannedDrying:
    names = [
        *["spool", "dryer", "first_set_point_c", "first_hours", "set_point_c", "start", "end"],
        *["target_pct", "mass_g", "pinned", "recorded_by"],
    ]
    return PlannedDrying(plan=plan, **{name: getattr(old, name) for name in names})


@transaction.atomic
def accept_plan(plan: WeekPlan, *, by: Any = None) -> WeekPlan:
    """Follow this plan from now on; the one before ends. Refused: one that is not computed, or has ended."""
    lock_spool_facts()
    plan = WeekPlan.objects.select_for_update(no_key=True).get(pk=plan.pk)
    if plan.made_at is None:
        raise refusal("still_calculating", _("This plan is still being computed. Refresh in a moment."))
    if plan.ended_at is not None:
        raise refusal("superseded", _("Another plan has taken the place of this one. Look at that."))
    if plan.accepted_at is not None:
        raise refusal(
            "accepted_already",
            _("This plan was accepted on {at} already.").format(at=format_time(plan.accepted_at)),
        )
    now = timezone.now()
    for former in WeekPlan.objects.filter(accepted_at__isnull=False, ended_at=None):
        former.ended_at = now
        former.save(update_fields=["ended_at"])
    plan.accepted_at, plan.accepted_by = now, by
    plan.save(update_fields=["accepted_at", "accepted_by"])
    invalidate_advice()
    return plan


@transaction.atomic
def reject_plan(plan: WeekPlan) -> WeekPlan:
    """End a plan, accepted or not; runs that have begun go on. Refused: one that has ended."""
    plan = WeekPlan.objects.select_for_update(no_key=True).get(pk=plan.pk)
    if plan.ended_at is not None:
        raise refusal(
            "ended_already",
            _("This plan ended on {at} already. Look at the present one.").format(
                at=format_time(plan.ended_at)
            ),
        )
    plan.ended_at = timezone.now()
    plan.save(update_fields=["ended_at"])
    invalidate_advice()
    return plan


@transaction.atomic
def restore_plan(plan: WeekPlan, *, accepted_at: datetime | None, ended_at: datetime | None) -> WeekPlan:
    """A plan is as it was before it was accepted, replaced or rejected. Refused: while another one is followed."""
    lock_spool_facts()
    plan = WeekPlan.objects.select_for_update(no_key=True).get(pk=plan.pk)
    followed = WeekPlan.objects.filter(accepted_at__isnull=False, ended_at=None).exclude(pk=plan.pk)
    if accepted_at is not None and ended_at is None and followed.exists():
        raise refusal("superseded", _("Another plan has taken the place of this one. Look at that."))
    plan.accepted_at, plan.ended_at = accepted_at, ended_at
    if accepted_at is None:
        plan.accepted_by = None
    plan.save(update_fields=["accepted_at", "accepted_by", "ended_at"])
    invalidate_advice()
    return plan
