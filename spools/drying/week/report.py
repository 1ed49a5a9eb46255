"""Reports on a plan: when each print is good, how late, and which parts of the plan no longer hold."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.utils.translation import gettext as _

from spools.drying.week.verify import Violation, find_violations
from spools.models import PlannedDrying, PlannedPrint, WeekPlan
from spools.statements import Statement


@dataclass(frozen=True)
class PrintReport:
    """A print in a plan: good from when (None: without drying, or never), and hours late.

    broken: whether the print, or the drying that it waits for, no longer holds.
    """

    planned: PlannedPrint
    good_at: datetime | None
    late_h: float
    broken: bool

    @property
    def state(self) -> str:
        """In time, in doubt, late or missing."""
        if self.planned.spool_id is None or (self.planned.dried and self.good_at is None):
            return "missing"
        if self.late_h > 0:
            return "late"
        return "in doubt" if self.broken else "in time"

    @property
    def label(self) -> str:
        """Its state in words."""
        words = {
            "missing": _("Missing"),
            "late": _("Late"),
            "in doubt": _("In doubt"),
            "in time": _("In time"),
        }
        return words[self.state]

    @property
    def reasons(self) -> list[Statement]:
        """Why it is late, missing or in doubt; none for a print that is in time."""
        planned = [] if self.planned.reason is None else [self.planned.reason]
        if self.state == "missing" and not planned:
            return [Statement("week.drying_dropped")]
        return [*planned, Statement("week.drying_broken")] if self.broken else planned


@dataclass(frozen=True)
class PlanReport:
    """A plan with its dryings, prints and violations."""

    plan: WeekPlan
    dryings: list[PlannedDrying]
    prints: list[PrintReport]
    violations: list[Violation]


def report_plan(plan: WeekPlan) -> PlanReport:
    """Report a whole plan; one that has ended is not verified again."""
    dryings = list(plan.standing())
    violations = [] if plan.ended_at is not None else find_violations(plan)
    prints = report_prints(plan, dryings, violations)
    return PlanReport(plan, dryings, prints, violations)


def report_prints(
    plan: WeekPlan, dryings: Sequence[PlannedDrying], violations: Sequence[Violation] = ()
) -> list[PrintReport]:
    """Report each print that is still on the list, by the dryings of the plan as they are now."""
    broken = {violation.subject for violation in violations}
    wet = {violation.drying.spool_id for violation in violations if violation.drying is not None}
    ends = {planned.spool_id: planned.dry_at for planned in dryings}
    # A print that waits for a run that went on already has the time that was planned.
    changed = set(plan.dryings.exclude(ended_at=None).values_list("spool", flat=True))
    prints = plan.prints.filter(request__withdrawn_at=None).select_related(
        "request__spool__feedstock__maker",
        "request__feedstock__maker",
        "request__polymer",
        "spool__feedstock__maker",
    )
    reports = []
    for planned in prints:
        good_at = ends.get(planned.spool_id) if planned.dried and planned.spool_id is not None else None
        if good_at is None and planned.spool_id not in changed:
            good_at = planned.good_at
        late = timedelta(0) if good_at is None else max(timedelta(0), good_at - planned.request.due_at)
        is_broken = planned in broken or (planned.dried and planned.spool_id in wet)
        reports.append(PrintReport(planned, good_at, late / timedelta(hours=1), is_broken))
    return reports
