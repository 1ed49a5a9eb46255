"""Jobs: prints that were made, entered by hand, with the verdict before it is recorded."""

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import ValidationError
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render

from maintenance.jobs.records import record_job, require_start_time
from maintenance.models import Job
from maintenance.readiness.builder import verdict
from maintenance.readiness.inputs import JobSpec
from maintenance.readiness.verdict import Verdict, decode_checks
from pages.frame.forms import apply, post_data, show_refusal
from pages.jobs.forms import JobForm, changed_after_check

PER_PAGE = 30
ASKED = ("mass_g", "hours", "nozzle_c", "bed_c", "max_flow_mm3_s")


@login_required
def jobs(request: HttpRequest) -> HttpResponse:
    rows = Job.objects.select_related("printer").prefetch_related("uses__spool__feedstock__maker")
    page = Paginator(rows, PER_PAGE).get_page(request.GET.get("page"))
    return render(request, "jobs/list.html", {"page": page})


@login_required
def job_new(request: HttpRequest) -> HttpResponse:
    """The first button shows the verdict; the second, which comes with it, records what it was shown for."""
    form = JobForm(post_data(request), initial={"loading": request.GET.get("loading")})
    shown: Verdict | None = None
    if request.method == "POST" and form.is_valid():
        changed = form.cleaned_data["checked"] != form.verdict_key()
        if "record" in request.POST and not changed and (job := _record_job(form, request)):
            messages.success(request, f"{job} is recorded: grams taken, wear added.")
            return redirect("job", job.pk)
        if "record" in request.POST and changed:
            form.add_error(None, changed_after_check())
        shown = _judge(form)
    return render(
        request,
        "jobs/form.html",
        {"form": form, "verdict": shown, "verdict_key": shown and form.verdict_key()},
    )


def _record_job(form: JobForm, request: HttpRequest) -> Job | None:
    recorded: list[Job] = []

    def record(data: dict) -> None:
        job = record_job(
            toolhead=data["loading"].toolhead,
            spool=data["loading"].spool,
            start=data["when"],
            by=request.user,
            **{name: data[name] for name in ("name", *ASKED, "override_reason")},
        )
        recorded.append(job)

    return recorded[0] if apply(form, record) else None


def _judge(form: JobForm) -> Verdict | None:
    data, on = form.cleaned_data, form.cleaned_data["loading"]
    try:
        spec = JobSpec(**{name: data[name] for name in ASKED})
        start = require_start_time(on.toolhead, on.spool, data["when"])
        return verdict(on.toolhead, on.spool, spec, at=start)
    except ValidationError as error:
        show_refusal(form, error)
        return None


@login_required
def job(request: HttpRequest, pk: int) -> HttpResponse:
    row = get_object_or_404(
        Job.objects.select_related("printer", "recorded_by", "file").defer("file__facts"), pk=pk
    )
    uses = row.uses.select_related(
        "toolhead__printer", "spool__feedstock__maker", "spool__feedstock__polymer"
    )
    return render(
        request,
        "jobs/detail.html",
        {
            "job": row,
            "reasons": decode_checks(row.reasons),
            "uses": uses.prefetch_related("wear__part__kind"),
        },
    )
