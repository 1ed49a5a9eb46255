"""Jobs: plans, prints and their ends, entered by hand, with the verdict before they are recorded."""

from collections.abc import Callable
from typing import Any

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _

from maintenance.costs.shares import load_job_cost, load_rates
from maintenance.jobs.judging import build_shares, fill_slots, judge_shares
from maintenance.jobs.progress import load_progress
from maintenance.jobs.projects import set_project
from maintenance.jobs.queries import find_spools_without_use
from maintenance.jobs.records import Outcome, record_job, require_start_time
from maintenance.jobs.reprints import choose_spools
from maintenance.jobs.shares import find_start
from maintenance.jobs.steps import change_spool, end_job, start_job
from maintenance.models import Job, JobEvent, Loading
from maintenance.readiness.verdict import CLEAR, Verdict, decode_checks
from maintenance.scales.prints import compare_with_scale
from pages.frame.forms import apply, post_data, show_refusal
from pages.jobs.forms import JobForm, JobSearchForm, changed_after_check
from pages.jobs.step_forms import ChangeForm, EndForm, ProjectForm, StartForm
from spools.models import Spool

PER_PAGE = 30
DETAILS = ("name", "project", "stage", "override_reason", "parts", "good_parts", "reason")
Stage = Job.Stage


def jobs(request: HttpRequest) -> HttpResponse:
    """Prints that run or are planned first, then the others, the newest first."""
    search = JobSearchForm(request.GET)
    rows = search.find(Job.objects.select_related("printer")).prefetch_related(
        "uses__spool__feedstock__polymer", "reservations__spool"
    )
    not_over = rows.filter(withdrawn_at=None, stage__in=[Stage.PLANNED, Stage.PRINTING]).order_by(
        "start", "pk"
    )
    over = rows.exclude(pk__in=not_over.values("pk"))
    page = Paginator(over, PER_PAGE).get_page(request.GET.get("page"))
    running = list(not_over) if page.number == 1 else []
    progress = load_progress([row.pk for row in running if row.stage == Stage.PRINTING])
    pairs = [(row, progress.get(row.pk)) for row in running]
    context = {"page": page, "not_over": pairs, "now": timezone.now()}
    context |= {"search": search, "query": search.query}
    return render(request, "jobs/list.html", context)


def job_new(request: HttpRequest) -> HttpResponse:
    """The first button shows the verdict; the second, which comes with it, records what it was shown for."""
    original = find_original(request)
    form = JobForm(post_data(request), initial=_initial(request, original))
    shown: Verdict | None = None
    if request.method == "POST" and form.is_valid():
        changed = form.cleaned_data["checked"] != form.verdict_key()
        if "record" in request.POST and not changed and (job := _record_job(form, request, original)):
            notify_recorded(request, job)
            return redirect("job", job.pk)
        if "record" in request.POST and changed:
            form.add_error(None, changed_after_check())
        shown = _judge(form)
    return render(
        request,
        "jobs/form.html",
        {
            "form": form,
            "verdict": shown,
            "verdict_key": shown and form.verdict_key(),
            "original": original,
        },
    )


def find_original(request: HttpRequest) -> Job | None:
    """The job in the address that is to be printed once more."""
    sent = request.GET.get("from", "")
    return Job.objects.filter(pk=sent).first() if sent.isdecimal() and len(sent) < 10 else None


def notify_recorded(request: HttpRequest, job: Job) -> None:
    """Says what was recorded, and whether the print was known before."""
    if job.known_before:
        messages.info(
            request,
            _("This print was recorded before, as {job}: it stays one job.").format(job=job),
            extra_tags="known_before",
        )
    elif job.is_over:
        messages.success(request, _("{job} is recorded: grams taken, wear added.").format(job=job))
    else:
        messages.success(request, _("{job} is recorded, and its filament is reserved.").format(job=job))


def _initial(request: HttpRequest, original: Job | None) -> dict[str, Any]:
    if original is None:
        return {"loading": request.GET.get("loading"), "stage": Stage.FINISHED}
    start = find_start(list(original.events.valid()))
    chosen = choose_spools(original)
    share, spool = chosen[0]
    present = {row.spool_id: row.pk for row in Loading.objects.present().filter(toolhead=share.toolhead)}
    more = {f"more_{present.get(other.pk)}": row.mass_g - row.purge_g for row, other in chosen[1:]}
    numbers = {
        name: getattr(original, name) for name in ("name", "project", "nozzle_c", "bed_c", "max_flow_mm3_s")
    }
    return (
        numbers
        | more
        | {
            "loading": present.get(spool.pk),
            "stage": Stage.PRINTING,
            "hours": start and start.hours,
            "mass_g": share.mass_g - share.purge_g,
            "changes": sum(row.changes for row, _ in chosen) or None,
            "retracted_m": share.retracted_m,
        }
    )


def _record_job(form: JobForm, request: HttpRequest, original: Job | None) -> Job | None:
    recorded: list[Job] = []

    def record(data: dict) -> None:
        job = record_job(
            toolhead=data["loading"].toolhead,
            spool=data["loading"].spool,
            start=data["when"],
            by=request.user,
            reprint_of=original,
            **form.details() | {name: data[name] for name in DETAILS} | {"stage": data["stage"] or None},
        )
        recorded.append(job)

    return recorded[0] if apply(form, record) else None


def _judge(form: JobForm) -> Verdict | None:
    data, on = form.cleaned_data, form.cleaned_data["loading"]
    try:
        details: Any = form.details()
        shares = fill_slots(build_shares(on.toolhead, on.spool, details), data["when"] or timezone.now())
        if data["stage"] == Stage.PLANNED:
            return judge_shares(shares)
        starts = [require_start_time(share.toolhead, share.spool, data["when"]) for share in shares]
        return judge_shares(shares, at=starts[0])
    except ValidationError as error:
        show_refusal(form, error)
        return None


def job(request: HttpRequest, pk: int) -> HttpResponse:
    """A job with its steps, and the forms of those that can follow; each form is sent under its button's name."""
    row = get_object_or_404(
        Job.objects.select_related("printer", "recorded_by", "file", "reprint_of").defer("file__facts"), pk=pk
    )
    forms = _build_forms(request, row)
    for name, form in forms.items():
        if name in request.POST and apply(form, ACTS[name](row, form, request.user)):
            messages.success(request, _("Recorded for {row}.").format(row=row))
            return redirect("job", pk)
    joined = "toolhead__printer", "spool__feedstock__maker", "spool__feedstock__polymer"
    uses = list(row.uses.select_related(*joined).prefetch_related("wear__part__kind"))
    reserved = list(row.reservations.select_related("toolhead__printer", "spool__feedstock__maker"))
    checks = decode_checks(row.reasons)
    without_use = {} if uses or reserved else find_spools_without_use(job=row)
    return render(
        request,
        "jobs/detail.html",
        {
            "job": row,
            "reasons": {
                "other": [check for check in checks if check.state != CLEAR],
                "clear": [check for check in checks if check.state == CLEAR],
            },
            "uses": uses,
            "without_use": Spool.objects.filter(pk__in=without_use.get(row.pk, ())),
            "reserved": reserved,
            "scale_prints": compare_with_scale(row, uses),
            "steps": _list_steps(row),
            "progress": load_progress([row.pk]).get(row.pk) if row.stage == Stage.PRINTING else None,
            "forms": forms,
            "cost": load_job_cost(row) if row.is_over else None,
            "currency": load_rates().currency,
        },
    )


def _list_steps(job: Job) -> list[JobEvent]:
    """By their times; a plan comes first, even of a print that began before it was planned for."""
    events = job.events.select_related("recorded_by", "withdrawn_by")
    return sorted(events, key=lambda event: event.kind != JobEvent.Kind.PLANNED)


def _build_forms(request: HttpRequest, job: Job) -> dict[str, Any]:
    """The forms of the steps that can follow, by their names."""
    kinds: dict[str, type] = {}
    if job.withdrawn_at is None and job.stage == Stage.PLANNED:
        kinds["start"] = StartForm
    elif job.withdrawn_at is None and job.stage == Stage.PRINTING:
        kinds |= {"end": EndForm, "change": ChangeForm}
    elif job.withdrawn_at is None:
        kinds["change"] = ChangeForm
    kinds["label"] = ProjectForm
    return {
        name: form(
            request.POST if request.method == "POST" and name in request.POST else None,
            job=job,
            auto_id=f"{name}_%s",
        )
        for name, form in kinds.items()
    }


def _start(job: Job, form: Any, user: Any) -> Callable[[dict], Any]:
    return lambda data: start_job(job, at=data["when"], by=user)


def _change(job: Job, form: Any, user: Any) -> Callable[[dict], Any]:
    return lambda data: change_spool(
        job,
        data["spool"],
        from_spool=data.get("from_spool"),
        at=data["when"],
        unload_to=data["unload_to"],
        by=user,
        **form.part(),
    )


def _end(job: Job, form: Any, user: Any) -> Callable[[dict], Any]:
    return lambda data: end_job(
        job,
        data["result"],
        at=data["when"],
        outcome=Outcome(data["parts"], data["good_parts"], data["reason"]),
        by=user,
        **form.part(),
    )


def _label(job: Job, form: Any, user: Any) -> Callable[[dict], Any]:
    return lambda data: set_project(job, data["project"])


ACTS = {"start": _start, "change": _change, "end": _end, "label": _label}
