"""Job files: add one, show its facts and where it may be printed, and record its print."""

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST

from maintenance.board.shop import Slot, load_loaded
from maintenance.gcode import JobFacts
from maintenance.jobs.files import (
    add_job_file,
    delete_content,
    facts_of,
    read_again,
    stop_reading,
    store_content,
)
from maintenance.jobs.from_file import (
    MachineVerdict,
    flow_limits,
    judge_on_all_machines,
    judge_on_machine,
    locate_stop,
    record_file_job,
)
from maintenance.jobs.materials import state_materials
from maintenance.jobs.slots import list_sites
from maintenance.models import Job, JobFile, JobFileMaterial, Printer
from pages.frame.forms import apply, post_data, show_refusal
from pages.frame.notices import notify_refused, notify_result
from pages.jobs.charts import draw_flow
from pages.jobs.file_forms import JobFileForm, MaterialsForm, PrintForm, ReadAgainForm
from pages.jobs.forms import changed_after_check
from pages.jobs.views import find_original, notify_recorded
from spools.checks import require_past_time

PER_PAGE = 30
LOOK_AGAIN_S = 2
FILES = JobFile.objects.select_related("printer", "added_by", "content_deleted_by")


def job_files(request: HttpRequest) -> HttpResponse:
    """The files, the newest first, and the form that takes one in."""
    form = JobFileForm(post_data(request), request.FILES or None)
    if request.method == "POST" and (added := _add_file(form, request)):
        return redirect("job-file", added.pk)
    page = Paginator(FILES.defer("facts"), PER_PAGE).get_page(request.GET.get("page"))
    return render(request, "jobs/files/list.html", {"form": form, "page": page})


def _add_file(form: JobFileForm, request: HttpRequest) -> JobFile | None:
    added: list[JobFile] = []

    def add(data: dict) -> None:
        stored = store_content(data["file"].name, data["file"].chunks(), request.user)
        added.append(
            add_job_file(stored, printer=data["printer"], diameter_mm=data["diameter_mm"], by=request.user)
        )

    return added[0] if apply(form, add) else None


def job_file(request: HttpRequest, pk: int) -> HttpResponse:
    """The facts of a file and where it may be printed; while it is read, the progress."""
    file = get_object_or_404(FILES, pk=pk)
    context: dict = {"file": file, "again": ReadAgainForm(file=file), "percent": round(100 * file.share_read)}
    if file.state == JobFile.State.READ:
        facts = facts_of(file)
        context |= {
            "facts": facts,
            "uses": [
                {"number": n, "use": use, "cm3": use.cm3(facts.reading.diameter_mm)}
                for n, use in enumerate(facts.uses, 1)
            ],
            "hot": [
                (_("Hot end {tool}").format(tool=tool), [span for span in spans if span.value > 0])
                for tool, spans in facts.hot_by_tool.items()
            ]
            + [(_("Bed"), [span for span in facts.bed if span.value > 0])],
            "materials": _load_materials(file),
            "jobs": Job.objects.filter(file=file).select_related("printer"),
            **_judge_machines(file),
        }
        limits = flow_limits(context.get("where", []))
        context |= {"flow_chart": draw_flow(facts, limits), "flow_limits": limits}
    response = render(request, "jobs/files/detail.html", context)
    if file.busy:
        response["Refresh"] = str(LOOK_AGAIN_S)
    return response


def _judge_machines(file: JobFile) -> dict:
    try:
        return {"where": judge_on_all_machines(file)}
    except ValidationError as error:
        return {"not_judged": " ".join(error.messages)}


@require_POST
def job_file_stop(request: HttpRequest, pk: int) -> HttpResponse:
    file = get_object_or_404(JobFile, pk=pk)
    try:
        stop_reading(file)
        messages.success(request, _("Reading {file} is stopped.").format(file=file))
    except ValidationError as error:
        notify_refused(request, error)
    return redirect("job-file", pk)


@require_POST
def job_file_content_deleted(request: HttpRequest, pk: int) -> HttpResponse:
    file = get_object_or_404(JobFile, pk=pk)
    deleted = _("The content of {file} is deleted. Its results stay.").format(file=file)
    notify_result(request, lambda: delete_content(file, by=request.user), deleted)
    return redirect("job-file", pk)


def job_file_again(request: HttpRequest, pk: int) -> HttpResponse:
    file = get_object_or_404(FILES, pk=pk)
    form = ReadAgainForm(post_data(request), file=file)
    if apply(form, lambda data: read_again(file, **data)):
        return redirect("job-file", pk)
    return render(request, "jobs/files/again.html", {"file": file, "form": form})


def job_file_material(request: HttpRequest, pk: int) -> HttpResponse:
    """States the material that each tool of the job was made for."""
    file = get_object_or_404(FILES, pk=pk)
    if file.state != JobFile.State.READ:
        return redirect("job-file", pk)
    tools = sorted({use.tool for use in facts_of(file).uses})
    form = MaterialsForm(post_data(request), tools=tools, stated=_load_materials(file))
    if apply(form, lambda data: state_materials(file, form.materials(), by=request.user)):
        return redirect("job-file", pk)
    return render(request, "jobs/files/material.html", {"file": file, "form": form})


def _load_materials(file: JobFile) -> list[JobFileMaterial]:
    return list(file.materials.select_related("feedstock__maker", "feedstock__polymer", "polymer"))


def job_file_print(request: HttpRequest, pk: int) -> HttpResponse:
    """The first button shows the verdict; the second, which comes with it, records what it was shown for."""
    file = get_object_or_404(FILES, pk=pk)
    if file.state != JobFile.State.READ:
        return redirect("job-file", pk)
    facts = facts_of(file)
    form = PrintForm(post_data(request), facts=facts, initial=_initial_choice(request, file, facts))
    machine: MachineVerdict | None = None
    if request.method == "POST" and form.is_valid():
        changed = form.cleaned_data["checked"] != form.verdict_key()
        if "record" in request.POST and not changed and (job := _record_print(form, file, request)):
            notify_recorded(request, job)
            return redirect("job", job.pk)
        if "record" in request.POST and changed:
            form.add_error(None, changed_after_check())
        machine = _judge(form, file, facts)
    return render(
        request,
        "jobs/files/print.html",
        {"file": file, "form": form, "machine": machine, "verdict_key": machine and form.verdict_key()},
    )


def _initial_choice(request: HttpRequest, file: JobFile, facts: JobFacts) -> dict:
    """The machine in the address, else the one it was made for; with the spools that are loaded there."""
    requested = request.GET.get("printer", "")
    printers = Printer.objects.filter(retired_at=None)
    printer_id = int(requested) if requested.isdecimal() and len(requested) < 10 else file.printer_id or 0
    printer = printers.filter(pk=printer_id).first() or printers.first()
    chosen: dict = {"name": file.name[:120], "printer": printer, "stage": Job.Stage.FINISHED}
    if printer is not None:
        sites = list_sites(printer.toolheads.in_use().order_by("name"))
        loaded = {slot: spool for spool, slot in load_loaded().items()}
        for number, use in enumerate(facts.uses, 1):
            if use.tool < len(sites):
                toolhead, slot = sites[use.tool]
                chosen[f"spool_{number}"] = loaded.get(Slot(toolhead.pk, slot))
    return chosen


def _record_print(form: PrintForm, file: JobFile, request: HttpRequest) -> Job | None:
    recorded: list[Job] = []

    def record(data: dict) -> None:
        job = record_file_job(
            file,
            printer=data["printer"],
            spools=form.spools(),
            start=data["when"],
            by=request.user,
            stage=data["stage"] or None,
            changes=data.get("changes"),
            reprint_of=find_original(request),
            **{name: data[name] for name in ("name", "stopped_line", "stopped_pct", "override_reason")},
        )
        recorded.append(job)

    return recorded[0] if apply(form, record) else None


def _judge(form: PrintForm, file: JobFile, facts: JobFacts) -> MachineVerdict | None:
    data = form.cleaned_data
    try:
        for spool in form.spools():
            if data["stage"] != Job.Stage.PLANNED:
                require_past_time(data["when"], spool, "start")
        locate_stop(facts, stopped_line=data["stopped_line"], stopped_pct=data["stopped_pct"])
        return judge_on_machine(file, data["printer"], form.spools(), data.get("changes"))
    except ValidationError as error:
        show_refusal(form, error)
        return None
