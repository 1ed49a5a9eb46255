"""The drying plan of the week: print requests, the proposed and the accepted plan, and changes by hand."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from urllib.parse import urlencode

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST

from maintenance.jobs.requested import judge_request
from pages.charts.chart import Chart
from pages.drying.week_chart import draw_week
from pages.drying.week_forms import MoveForm, PrintRequestForm, StaffedHoursForm
from pages.frame.forms import apply, post_data
from pages.frame.notices import notify_refused
from spools.board import board
from spools.codes import pretty
from spools.drying.gate import open_runs
from spools.drying.week.changes import cancel_drying, move_drying, pin_drying
from spools.drying.week.plans import (
    DEFAULT_HOURS,
    accept_plan,
    accepted_plan,
    create_plan,
    proposal,
    reject_plan,
)
from spools.drying.week.report import PrintReport, report_prints
from spools.drying.week.requests import add_print_request, open_requests
from spools.drying.week.slots import StaffedHours
from spools.drying.week.verify import Violation, find_violations
from spools.models import DryingRun, PlannedDrying, WeekPlan
from spools.statements import Statement
from spools.wording import format_duration

# Seconds until the page is loaded again while a plan is being computed.
REFRESH_S = 3
STATES = {"in time": "clear", "in doubt": "caution", "late": "caution", "missing": "hold"}


@dataclass(frozen=True)
class DryingRow:
    """A planned drying with its violations, and the address that starts it."""

    planned: PlannedDrying
    violations: list[Statement]
    start: str


@dataclass(frozen=True)
class PlanView:
    """A plan as the page shows it. runs: those that go on now, and when their spools are likely dry; violations:
    those of its prints; notes: without those about runs, which their rows show."""

    plan: WeekPlan
    runs: list[tuple[DryingRun, datetime | None]]
    rows: list[DryingRow]
    prints: list[tuple[str, PrintReport]]
    violations: list[Statement]
    chart: Chart | None
    notes: list[Statement]


def week_page(request: HttpRequest) -> HttpResponse:
    return _page(request, StaffedHoursForm(hours=_last_staffed_hours()))


def _page(request: HttpRequest, form: StaffedHoursForm) -> HttpResponse:
    accepted, proposed = accepted_plan(), proposal()
    waiting = proposed is not None and proposed.made_at is None
    runs = list(open_runs())
    context = {
        "print_requests": open_requests(),
        "accepted": None if accepted is None else _plan_view(accepted, runs),
        "proposed": None if proposed is None or proposed.made_at is None else _plan_view(proposed, runs),
        "waiting": waiting,
        "form": form,
        "now": timezone.now(),
    }
    response = render(request, "drying/week.html", context)
    if waiting:
        response["Refresh"] = REFRESH_S
    return response


def _last_staffed_hours() -> StaffedHours:
    """The hours that were given last."""
    last = WeekPlan.objects.first()
    return DEFAULT_HOURS if last is None else StaffedHours(last.staffed_from, last.staffed_to)


def _plan_view(plan: WeekPlan, runs: Sequence[DryingRun]) -> PlanView:
    now = timezone.now()
    dryings = list(plan.standing())
    violations = find_violations(plan, now)
    ahead = [planned for planned in dryings if planned.run_id is None]
    rows = [
        DryingRow(planned, _reasons(violations, planned), start_address(planned, ahead)) for planned in ahead
    ]
    reports = report_prints(plan, dryings, violations)
    ready_at = (
        {pk: row.ready_at for pk, row in board.read([run.spool_id for run in runs]).items()} if runs else {}
    )
    staffed = StaffedHours(plan.staffed_from, plan.staffed_to)
    return PlanView(
        plan,
        [(run, ready_at.get(run.spool_id)) for run in runs],
        rows,
        [(STATES[report.state], report) for report in reports],
        _reasons(violations, None),
        draw_week(runs, ready_at, ahead, reports, staffed, now) if runs or ahead or reports else None,
        [note for note in plan.notes if note.code != "week.leave_in"],
    )


def _reasons(violations: Sequence[Violation], drying: PlannedDrying | None) -> list[Statement]:
    """The reasons of the violations of a drying; None: of the prints."""
    return [violation.reason for violation in violations if violation.drying == drying]


def start_address(planned: PlannedDrying, ahead: Sequence[PlannedDrying]) -> str:
    """The address of the form that starts a drying, filled in for all spools that go in together."""
    together = [
        other
        for other in ahead
        if (other.dryer_id, other.start, other.temperatures)
        == (planned.dryer_id, planned.start, planned.temperatures)
    ]
    query: dict[str, Any] = {
        "planned": [other.pk for other in together],
        "spools": [other.spool_id for other in together],
        "set_point_c": f"{planned.set_point_c:g}",
    }
    if planned.mass_g is not None:
        query["mass_g"] = f"{planned.mass_g:g}"
    return f"{reverse('drying-start', args=[planned.dryer_id])}?{urlencode(query, doseq=True)}"


def print_request(request: HttpRequest, pk: int) -> HttpResponse:
    """A request judged on the toolheads: for all its grams, with what is busy and reserved."""
    row = get_object_or_404(open_requests(), pk=pk)
    context = {"request_row": row, "pairs": judge_request(row)}
    return render(request, "drying/print_request_verdicts.html", context)


def print_request_new(request: HttpRequest) -> HttpResponse:
    form = PrintRequestForm(post_data(request))
    if apply(form, lambda data: add_print_request(**data, by=request.user)):
        messages.success(request, _("It is on the list. Plan the week again to have it dried in time."))
        return redirect("week")
    return render(request, "drying/print_request.html", {"form": form})


def _apply_and_return(request: HttpRequest, action: Any, result: str) -> HttpResponse:
    """Run an action and go back to the plan, which shows its result or refusal."""
    try:
        action()
    except ValidationError as error:
        notify_refused(request, error)
    else:
        messages.success(request, result)
    return redirect("week")


@require_POST
def week_plan(request: HttpRequest) -> HttpResponse:
    form = StaffedHoursForm(request.POST, hours=_last_staffed_hours())
    if apply(form, lambda data: create_plan(form.hours(), by=request.user)):
        return redirect("week")
    return _page(request, form)


@require_POST
def week_accept(request: HttpRequest, pk: int) -> HttpResponse:
    plan = get_object_or_404(WeekPlan, pk=pk)
    result = _("The plan is accepted. The drying page lists the spools to put in, too.")
    return _apply_and_return(request, lambda: accept_plan(plan, by=request.user), result)


@require_POST
def week_reject(request: HttpRequest, pk: int) -> HttpResponse:
    plan = get_object_or_404(WeekPlan, pk=pk)
    return _apply_and_return(
        request, lambda: reject_plan(plan), _("The plan has ended. Runs that have begun go on.")
    )


def _get_drying(pk: int) -> PlannedDrying:
    return get_object_or_404(
        PlannedDrying.objects.select_related("plan", "spool__feedstock__maker", "dryer"), pk=pk
    )


@require_POST
def planned_cancel(request: HttpRequest, pk: int) -> HttpResponse:
    planned = _get_drying(pk)
    result = _("{code} is not planned to be dried any more. Plan again to have it back.").format(
        code=pretty(planned.spool.code)
    )
    return _apply_and_return(request, lambda: cancel_drying(planned, by=request.user), result)


@require_POST
def planned_pin(request: HttpRequest, pk: int) -> HttpResponse:
    planned, pinned = _get_drying(pk), request.POST.get("pinned") == "yes"
    result = (
        _("The drying of {code} stays as it is when it is planned again.")
        if pinned
        else _("The drying of {code} may be changed when it is planned again.")
    ).format(code=pretty(planned.spool.code))
    return _apply_and_return(request, lambda: pin_drying(planned, pinned), result)


def planned_move(request: HttpRequest, pk: int) -> HttpResponse:
    """Move a drying to another time, dryer or set point; the plan shows the consequences."""
    planned = _get_drying(pk)
    if planned.run_id is not None or planned.ended_at is not None or planned.plan.ended_at is not None:
        # A second tap, or an old page.
        has_begun = planned.run_id is not None
        sentence = (
            _("The drying of {code} has begun. Nothing was changed.")
            if has_begun
            else _("The drying of {code} is not planned any more. Nothing was changed.")
        )
        messages.error(
            request,
            sentence.format(code=pretty(planned.spool.code)),
            extra_tags="begun" if has_begun else "not_planned",
        )
        return redirect("week")
    form = MoveForm(post_data(request), planned=planned)
    moves: list[tuple[PlannedDrying, list[Statement]]] = []
    if apply(form, lambda data: moves.append(move_drying(planned, **data, by=request.user))):
        ((new, consequences),) = moves
        messages.success(
            request,
            _("{code} is placed by hand: {hours}. It is pinned.").format(
                code=pretty(new.spool.code), hours=format_duration(new.hours)
            ),
        )
        for consequence in consequences:
            messages.warning(request, consequence.sentence)
        return redirect("week")
    return render(request, "drying/week_move.html", {"form": form, "planned": planned})
