"""Changes to a plan by hand: planned dryings are moved, pinned or cancelled."""

import math
from datetime import datetime
from typing import Any

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext as _

from spools import limits
from spools.checks import lock_spool_facts, require_within
from spools.drying.gate import require_dryer
from spools.drying.options import next_quarter
from spools.drying.week.report import report_prints
from spools.drying.week.single import compute_single_drying
from spools.drying.week.slots import LONGEST_AHEAD, SLOT, SLOTS_H
from spools.drying.week.verify import find_violations
from spools.invalidation import invalidate_advice
from spools.models import Place, PlannedDrying, WeekPlan
from spools.refusals import refusal
from spools.statements import Statement, join


@transaction.atomic
def cancel_drying(planned: PlannedDrying, *, by: Any = None) -> PlannedDrying:
    """Take a drying out of its plan."""
    planned = _lock_planned(planned)
    _end(planned, by)
    return planned


@transaction.atomic
def pin_drying(planned: PlannedDrying, pinned: bool = True) -> PlannedDrying:
    """Let a drying stay as it is in the next plan; pinned=False: let the next plan change it."""
    planned = _lock_planned(planned)
    planned.pinned = pinned
    planned.save(update_fields=["pinned"])
    return planned


@transaction.atomic
def restore_drying(planned: PlannedDrying, *, pinned: bool, by: Any = None) -> PlannedDrying:
    """Plan a drying again that was cancelled or moved; pinned: whether it stays in the next plan.

    Refused: where its plan has ended, and where the spool has another drying in it by now.
    """
    lock_spool_facts()
    planned = PlannedDrying.objects.select_for_update(no_key=True, of=("self",)).get(pk=planned.pk)
    others = planned.plan.standing().filter(spool=planned.spool_id).exclude(pk=planned.pk)
    if planned.plan.ended_at is not None or others.exists():
        raise refusal("not_planned", _("The plan has changed since. Look at it again."))
    planned.ended_at, planned.ended_by, planned.pinned = None, None, pinned
    planned.save(update_fields=["ended_at", "ended_by", "pinned"])
    invalidate_advice()
    return planned


def move_drying(
    planned: PlannedDrying,
    *,
    dryer: Place,
    start: datetime,
    set_point_c: float | None = None,
    by: Any = None,
) -> tuple[PlannedDrying, list[Statement]]:
    """Move a drying to another dryer or time and pin it. Its hours are computed for the new start.

    Returns the new row, and the consequences for the rest of the plan. Refused: a time that is over, a set
    point above the cap or too cool to get it dry, a dryer that is full, at another set point or with spools
    of another smell then.
    """
    require_dryer(dryer)
    if timezone.is_naive(start):
        raise refusal("no_zone", _("Give the time with its zone, such as 2026-01-31T08:00Z."), "start")
    now = timezone.now()
    if not now - SLOT <= start <= now + LONGEST_AHEAD:
        raise refusal(
            "too_far_ahead",
            _("Give a time within the next {days} days.").format(days=LONGEST_AHEAD.days),
            "start",
        )
    start = next_quarter(max(start, now))
    celsius = (
        planned.set_point_c
        if set_point_c is None
        else require_within("set_point_c", set_point_c, *limits.SET_POINT_C)
    )
    first, hours = compute_single_drying(planned.spool, dryer, start, celsius, planned.mass_g)
    with transaction.atomic():
        old = _lock_planned(planned)
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
        broken = [violation.reason for violation in find_violations(old.plan, now) if violation.drying == new]
        if broken:
            raise refusal("impossible_start", join(*broken).sentence, "start")
        after = _consequences(old.plan, now)
    return new, [consequence for consequence in after if consequence not in before]


def _lock_planned(planned: PlannedDrying) -> PlannedDrying:
    """The drying as stored, its row locked; refused where it has begun or is not planned any more."""
    lock_spool_facts()
    planned = (
        PlannedDrying.objects.select_for_update(no_key=True, of=("self",))
        .select_related("plan", "spool__feedstock__polymer", "dryer__room")
        .get(pk=planned.pk)
    )
    if planned.run_id is not None:
        raise refusal("begun", _("It has begun. Take the spool out on the drying page."))
    if planned.ended_at is not None or planned.plan.ended_at is not None:
        raise refusal("not_planned", _("It is not planned any more. Look at the plan again."))
    return planned


def _end(planned: PlannedDrying, by: Any) -> None:
    planned.ended_at, planned.ended_by = timezone.now(), by
    planned.save(update_fields=["ended_at", "ended_by"])
    invalidate_advice()


def _consequences(plan: WeekPlan, now: datetime) -> list[Statement]:
    """The violations of a plan and its late prints."""
    late = [
        Statement(
            "week.late",
            {
                "request": str(report.planned.request),
                "good_at": report.good_at.isoformat(),
                "late_h": report.late_h,
            },
        )
        for report in report_prints(plan, list(plan.standing()))
        if report.good_at is not None and report.late_h
    ]
    return [*(violation.reason for violation in find_violations(plan, now)), *late]
