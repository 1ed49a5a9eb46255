"""Trouble: what a print looked like, the likely consumable causes in order, and what turned out true."""

from typing import Any
from urllib.parse import urlencode

from django.contrib import messages
from django.core.paginator import Paginator
from django.db.models import Prefetch, QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST

from maintenance.models import Fitting, Job, Loading, ServiceKind, TroubleOutcome, TroubleReport
from maintenance.trouble import rules
from maintenance.trouble.causes import CAUSES
from maintenance.trouble.reports import (
    load_findings,
    record_outcome,
    report_job_trouble,
    report_trouble,
)
from maintenance.trouble.wording import SIGNS
from pages.frame.forms import apply, post_data
from pages.trouble.forms import OutcomeForm, TroubleForm
from spools.statements import Statement

PER_PAGE = 30
# Signs of too little filament: a flow check measures that.
FED_BADLY = {"gaps", "skips", "sudden", "nothing"}


def troubles(request: HttpRequest) -> HttpResponse:
    page = Paginator(_reports(), PER_PAGE).get_page(request.GET.get("page"))
    return render(
        request, "trouble/list.html", {"page": page, "rows": [_report_row(report) for report in page]}
    )


def _reports() -> QuerySet[TroubleReport]:
    outcomes = Prefetch("outcomes", TroubleOutcome.objects.select_related("recorded_by"))
    reports = TroubleReport.objects.select_related("job", "toolhead__printer", "spool__feedstock__maker")
    return reports.prefetch_related(outcomes)


def _report_row(report: TroubleReport) -> dict[str, Any]:
    outcomes = list(report.outcomes.all())
    return {
        "report": report,
        "signs": "; ".join(str(SIGNS[symptom]) for symptom in report.symptoms),
        "outcome": outcomes[-1] if outcomes else None,
        "findings": load_findings(report),
    }


def trouble_new(request: HttpRequest) -> HttpResponse:
    job_id = request.GET.get("job", "")
    job = Job.objects.filter(pk=job_id).first() if job_id.isdecimal() and len(job_id) < 10 else None
    form = TroubleForm(post_data(request), job=job)
    reported: list[TroubleReport] = []

    def report(data: dict) -> None:
        signs, note = data["symptoms"], data["note"]
        if use := form.uses.get(data["print"]):
            reported.append(
                report_job_trouble(
                    use.job, signs, spool=use.spool, toolhead=use.toolhead, note=note, by=request.user
                )
            )
            return
        loading = form.loadings[data["print"]]
        reported.append(
            report_trouble(
                loading.toolhead, loading.spool, signs, at=data["when"], note=note, by=request.user
            )
        )

    if apply(form, report):
        return redirect("trouble", reported[0].pk)
    return render(request, "trouble/form.html", {"form": form})


def trouble(request: HttpRequest, pk: int) -> HttpResponse:
    report = get_object_or_404(_reports(), pk=pk)
    row = _report_row(report)
    findings = row["findings"]
    context = row | {
        "likely": [finding for finding in findings if finding.chance != rules.UNLIKELY],
        "unlikely": [finding for finding in findings if finding.chance == rules.UNLIKELY],
        "outside": rules.other_causes(report.symptoms),
        "otherwise": [choice for choice in TroubleOutcome.Cause.choices if choice[0] not in CAUSES],
        "step": _next_step(report, row["outcome"]),
        "flow_check": _short_check(report),
    }
    return render(request, "trouble/detail.html", context)


def _short_check(report: TroubleReport) -> str:
    """The address of a short flow check of the spool and toolhead; "" where it would not show anything, or cannot be done."""
    loading = Loading.objects.present().filter(toolhead=report.toolhead_id, spool=report.spool_id).first()
    if loading is None or not FED_BADLY & {*report.symptoms}:
        return ""
    query = {"short": 1, "loading": loading.pk} | (
        {"nozzle_c": f"{report.job.nozzle_c:g}"} if report.job else {}
    )
    return f"{reverse('flow-check-new')}?{urlencode(query)}"


def _next_step(report: TroubleReport, outcome: TroubleOutcome | None) -> dict[str, Any] | None:
    """The remedy for the confirmed cause, with the page where it is done."""
    cause = CAUSES.get(outcome.cause) if outcome else None
    if outcome is None or cause is None:
        return None
    toolhead, address, action = report.toolhead, "", ""
    if cause.act == "dry":
        address, action = reverse("spool-dry", args=[report.spool.code]), _("Plan its drying")
    elif cause.act == "other_spool":
        address, action = reverse("spools"), _("Choose another spool")
    elif cause.act == "replace":
        fitted = (
            Fitting.objects.valid()
            .filter(toolhead=toolhead, role=cause.role, end=None, start__lte=report.at)
            .first()
        )
        if fitted is not None:
            address, action = reverse("part-replace", args=[fitted.pk]), _("Replace it, recorded as worn")
    elif cause.act == "service":
        kind = ServiceKind.objects.filter(work=cause.work, in_use=True).first()
        address = reverse("service-done", args=[toolhead.printer_id])
        action = _("Record it as done")
        if kind is not None:
            address += f"?kind={kind.pk}&toolhead={toolhead.pk}"
    remedy = Statement(f"trouble_remedy.{outcome.cause}")
    return {"remedy": remedy, "address": address, "action": action}


@require_POST
def trouble_outcome(request: HttpRequest, pk: int) -> HttpResponse:
    report = get_object_or_404(TroubleReport, pk=pk)
    form = OutcomeForm(request.POST)
    if apply(
        form,
        lambda data: record_outcome(report, data["cause"], note=data["note"], by=request.user),
    ):
        cause = TroubleOutcome.Cause(form.cleaned_data["cause"])
        messages.success(request, _("{cause}: saved as the cause.").format(cause=cause.label))
    else:
        texts = [str(error) for errors in form.errors.values() for error in errors]
        refused = _("Nothing was saved. {errors}").format(errors=" ".join(texts))
        messages.error(request, refused, extra_tags="impossible_outcome")
    return redirect("trouble", pk)
