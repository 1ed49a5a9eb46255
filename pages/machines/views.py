"""Machines: printers and toolheads, what is loaded, what is fitted and how long it lasts."""

from collections import defaultdict

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import ValidationError
from django.db.models import Count, Prefetch, Q, Sum
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_POST

from maintenance.board.version import board_version
from maintenance.machines.printers import add_printer, add_toolhead, bring_back, retire
from maintenance.models import Fitting, JobUse, Loading, PartKind, Printer, Toolhead
from maintenance.parts.life import PartWear, load_fitted_parts
from maintenance.parts.wear_entries import UNIT_WORDS
from maintenance.readiness.verdict import CAUTION, CLEAR, HOLD, LIKELY, POSSIBLE
from maintenance.service.intervals import load_service_statuses
from pages.frame.forms import apply, post_data
from pages.frame.notices import notify_refused
from pages.machines.forms import PrinterForm, RetireForm, ToolheadForm
from pages.machines.service import status_row
from spools.wording import format_time

SHOWN_JOBS = 10
# Without these nothing prints for long, so their places are shown empty, too.
ALWAYS_SHOWN = [PartKind.Role.NOZZLE, PartKind.Role.GEARS, PartKind.Role.LINER]


@login_required
def machines(request: HttpRequest) -> HttpResponse:
    live = board_version()
    printers = list(Printer.objects.prefetch_related(_toolheads()))
    in_use = [printer for printer in printers if printer.retired_at is None]
    retired = [printer for printer in printers if printer.retired_at is not None]
    context = {"printers": _describe_machines(in_use), "retired": retired, "live": live}
    return render(request, "machines/list.html", context)


@login_required
def machine(request: HttpRequest, pk: int) -> HttpResponse:
    printer = get_object_or_404(Printer.objects.prefetch_related(_toolheads()), pk=pk)
    uses = JobUse.objects.filter(toolhead__printer=printer).order_by("-job__start")
    on_printer = Q(toolhead__printer=printer) | Q(printer=printer)
    past = Fitting.objects.filter(on_printer, end__isnull=False).order_by("-end")
    [(_, toolheads, parts)] = _describe_machines([printer])
    return render(
        request,
        "machines/detail.html",
        {
            "printer": printer,
            "toolheads": toolheads,
            "parts": parts,
            "services": [
                status_row(status)
                for status in load_service_statuses(printer.toolheads.all())
                if status.since.overdue
            ],
            "uses": uses.select_related("job", "spool", "toolhead")[:SHOWN_JOBS],
            "past": past.select_related("part__kind", "toolhead__printer", "printer")[:SHOWN_JOBS],
        },
    )


def _toolheads() -> Prefetch:
    loaded = Loading.objects.present().select_related("spool__feedstock__maker", "spool__feedstock__polymer")
    return Prefetch("toolheads", Toolhead.objects.prefetch_related(Prefetch("loadings", loaded)))


def _describe_machines(printers: list[Printer]) -> list[tuple[Printer, list[dict], list[dict]]]:
    """Each printer with its toolheads (loaded spool, parts with life left, counters) and its own parts."""
    toolheads = [toolhead for printer in printers for toolhead in printer.toolheads.all()]
    on_toolhead: dict[int | None, dict[str, PartWear]] = defaultdict(dict)
    on_printer: dict[int | None, dict[str, PartWear]] = defaultdict(dict)
    for wear in load_fitted_parts(toolhead.pk for toolhead in toolheads):
        if wear.fitting is not None:
            on_toolhead[wear.fitting.toolhead_id][wear.kind.role] = wear
            on_printer[wear.fitting.printer_id][wear.kind.role] = wear
    counters = {
        row["toolhead"]: row
        for row in JobUse.objects.filter(toolhead__in=toolheads, job__withdrawn_at=None)
        .values("toolhead")
        .annotate(jobs=Count("job"), mass_g=Sum("mass_g"), hours=Sum("job__hours"))
    }

    def describe(toolhead: Toolhead) -> dict:
        loadings = list(toolhead.loadings.all())
        return {
            "toolhead": toolhead,
            "loading": loadings[0] if loadings else None,
            "parts": _rows(on_toolhead[toolhead.pk], ALWAYS_SHOWN),
            "counters": counters.get(toolhead.pk),
        }

    return [
        (
            printer,
            [describe(toolhead) for toolhead in printer.toolheads.all()],
            _rows(on_printer[printer.pk], []),
        )
        for printer in printers
    ]


def _rows(by_role: dict[str, PartWear], always: list) -> list[dict]:
    return [
        build_part_row(label, by_role.get(role))
        for role, label in PartKind.Role.choices
        if role in by_role or role in always
    ]


def build_part_row(label: str, wear: PartWear | None) -> dict:
    """A part with the life that is left of it: in words, and as shares (in %) of a bar."""
    row: dict = {"role": label, "wear": wear}
    if wear is not None:
        life = wear.life_left()
        full = life.age + max(life.high_left, 0)
        low, median, high = (
            _percent(left, full) for left in (life.low_left, life.median_left, life.high_left)
        )
        used_up = life.probability_used_up
        row |= {
            "life": life,
            "unit": UNIT_WORDS[wear.kind.life_unit],
            "percent_low": low,
            "percent_median": min(median, 99),
            "percent_band": high - low,
            "percent_used_up": round(100 * used_up),
            "state": HOLD if used_up > LIKELY else CAUTION if used_up > POSSIBLE else CLEAR,
        }
    return row


def _percent(left: float, full: float) -> int:
    return round(100 * min(1.0, max(0.0, left / full))) if full > 0 else 0


@login_required
def machine_new(request: HttpRequest) -> HttpResponse:
    form = PrinterForm(post_data(request))
    head = ToolheadForm(post_data(request), prefix="head")
    if (request.method != "POST" or head.is_valid()) and apply(
        form,
        lambda data: add_printer(
            form.instance,
            head.instance,
            assumed_temperature_c=data["assumed_temperature_c"],
            assumed_rh_pct=data["assumed_rh_pct"],
        ),
    ):
        messages.success(request, f"{form.instance} is added. Fit its nozzle, drive gears and liner.")
        return redirect("machine", form.instance.pk)
    return render(request, "machines/form.html", {"form": form, "head": head})


@login_required
def toolhead_new(request: HttpRequest, pk: int) -> HttpResponse:
    printer = get_object_or_404(Printer, pk=pk)
    form = ToolheadForm(post_data(request))
    if apply(form, lambda data: add_toolhead(printer, form.instance)):
        messages.success(request, f"{form.instance} is added. Fit its nozzle, drive gears and liner.")
        return redirect("machine", pk)
    return render(request, "machines/form.html", {"form": form, "printer": printer})


@login_required
def machine_retire(request: HttpRequest, pk: int) -> HttpResponse:
    printer = get_object_or_404(Printer, pk=pk)
    if printer.retired_at is not None:
        # A second tap, or an old page.
        messages.error(
            request,
            f"{printer} is out of use since {format_time(printer.retired_at)} already.",
            extra_tags="out_of_use_already",
        )
        return redirect("machine", pk)
    form = RetireForm(post_data(request))
    if apply(form, lambda data: retire(printer, at=data["when"])):
        messages.success(request, f"{printer} is out of use. It is listed under the other machines.")
        return redirect("machines")
    return render(request, "machines/retire.html", {"form": form, "printer": printer})


@login_required
@require_POST
def machine_bring_back(request: HttpRequest, pk: int) -> HttpResponse:
    printer = get_object_or_404(Printer, pk=pk)
    try:
        bring_back(printer)
        messages.success(request, f"{printer} is in use again.")
    except ValidationError as error:
        notify_refused(request, error)
    return redirect("machine", pk)
