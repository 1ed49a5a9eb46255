"""Machines: printers and toolheads, what is loaded, what is fitted and how long it lasts."""

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime

from django.contrib import messages
from django.core.paginator import Paginator
from django.db.models import Count, Prefetch, Q, Sum
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_POST

from maintenance.board.shop import load_stock
from maintenance.board.toolheads import read_upkeep
from maintenance.board.version import board_version
from maintenance.machines.printers import (
    add_printer,
    add_toolhead,
    bring_back,
    bring_back_toolhead,
    retire,
    retire_toolhead,
    save_printer,
    save_toolhead,
)
from maintenance.models import Fitting, JobUse, Loading, Printer, Toolhead
from maintenance.parts.life import load_fitted_parts
from maintenance.readiness.occupation import load_occupation
from maintenance.service.intervals import load_service_statuses
from pages.frame.forms import apply, post_data
from pages.frame.notices import notify_result
from pages.machines.forms import NewPrinterForm, PrinterForm, RetireForm, ToolheadForm
from pages.machines.part_rows import PartRow, build_board_row, build_row, order_by_role
from pages.machines.service import status_row
from spools.wording import format_time

SHOWN_JOBS = 10
PER_PAGE = 8
FITTING_COLUMNS = ("toolhead", "printer", "role", "start", "part__kind__name")
# The id of a toolhead, or of a printer for what the whole printer has once.
Site = tuple[int | None, int | None]


def machines(request: HttpRequest) -> HttpResponse:
    live = board_version()
    in_use = Printer.objects.filter(retired_at=None).prefetch_related(_toolheads())
    page = Paginator(in_use, PER_PAGE).get_page(request.GET.get("page"))
    printers = list(page)
    context = {
        "page": page,
        "printers": _describe_machines(printers, _read_rows(printers)),
        "retired": Printer.objects.exclude(retired_at=None),
        "live": live,
    }
    return render(request, "machines/list.html", context)


def machine(request: HttpRequest, pk: int) -> HttpResponse:
    printer = get_object_or_404(Printer.objects.prefetch_related(_toolheads()), pk=pk)
    uses = JobUse.objects.filter(toolhead__printer=printer).order_by("-job__start")
    on_printer = Q(toolhead__printer=printer) | Q(printer=printer)
    past = Fitting.objects.valid().filter(on_printer, end__isnull=False).order_by("-end")
    [(_, toolheads, parts)] = _describe_machines([printer], _load_rows([printer]))
    return render(
        request,
        "machines/detail.html",
        {
            "printer": printer,
            "toolheads": toolheads,
            "parts": parts,
            "retired": [toolhead for toolhead in printer.toolheads.all() if toolhead.retired_at is not None],
            "services": [
                status_row(status)
                for status in load_service_statuses(_toolheads_in_use(printer))
                if status.since.overdue
            ],
            "uses": uses.select_related("job", "spool", "toolhead")[:SHOWN_JOBS],
            "past": past.select_related("part__kind", "toolhead__printer", "printer")[:SHOWN_JOBS],
        },
    )


def _toolheads() -> Prefetch:
    loaded = Loading.objects.present().select_related("spool__feedstock__maker", "spool__feedstock__polymer")
    return Prefetch(
        "toolheads", Toolhead.objects.prefetch_related(Prefetch("loadings", loaded.order_by("slot")))
    )


def _toolheads_in_use(printer: Printer) -> list[Toolhead]:
    return [toolhead for toolhead in printer.toolheads.all() if toolhead.retired_at is None]


def _load_rows(printers: Sequence[Printer]) -> dict[Site, list[PartRow]]:
    """The parts on the toolheads of these printers and on these themselves, from the facts."""
    by_site: dict[Site, dict[str, PartRow]] = defaultdict(dict)
    for wear in load_fitted_parts(toolhead.pk for toolhead in _list_toolheads(printers)):
        if wear.fitting is not None:
            row = build_row(wear.kind.get_role_display(), wear)
            by_site[wear.fitting.toolhead_id, wear.fitting.printer_id][wear.kind.role] = row
    return _in_order(by_site, printers)


def _read_rows(printers: Sequence[Printer]) -> dict[Site, list[PartRow]]:
    """The same from the board. Four queries however many parts."""
    toolheads = _list_toolheads(printers)
    board = read_upkeep(timezone.now(), [toolhead.pk for toolhead in toolheads])
    upkeep = {part.part: part for toolhead in board.values() for part in toolhead.parts}
    stock = load_stock()
    fitted = Fitting.objects.valid().filter(Q(toolhead__in=toolheads) | Q(printer__in=printers), end=None)
    by_site: dict[Site, dict[str, PartRow]] = defaultdict(dict)
    for fitting in fitted.select_related("part__kind").only(*FITTING_COLUMNS):
        row = build_board_row(fitting, upkeep, stock)
        by_site[fitting.toolhead_id, fitting.printer_id][fitting.role] = row
    return _in_order(by_site, printers)


def _list_toolheads(printers: Iterable[Printer]) -> list[Toolhead]:
    return [toolhead for printer in printers for toolhead in _toolheads_in_use(printer)]


def _in_order(
    by_site: Mapping[Site, Mapping[str, PartRow]], printers: Iterable[Printer]
) -> dict[Site, list[PartRow]]:
    rows: dict[Site, list[PartRow]] = {}
    for printer in printers:
        rows[None, printer.pk] = order_by_role(by_site.get((None, printer.pk), {}), ())
        for toolhead in _toolheads_in_use(printer):
            rows[toolhead.pk, None] = order_by_role(by_site.get((toolhead.pk, None), {}))
    return rows


def _describe_machines(
    printers: Sequence[Printer], parts: Mapping[Site, list[PartRow]]
) -> list[tuple[Printer, list[dict], list[PartRow]]]:
    """Each printer with its toolheads (loaded spool, parts, counters) and its own parts. Two queries."""
    uses = JobUse.objects.filter(toolhead__in=_list_toolheads(printers), job__withdrawn_at=None)
    totals = uses.values("toolhead").annotate(
        jobs=Count("job"), mass_g=Sum("mass_g"), hours=Sum("job__hours")
    )
    counters = {row["toolhead"]: row for row in totals}
    occupation = load_occupation()

    def describe(toolhead: Toolhead) -> dict:
        taken = {loading.slot: loading for loading in toolhead.loadings.all()}
        return {
            "toolhead": toolhead,
            "slots": [(slot, taken.get(slot)) for slot in range(1, toolhead.slots + 1)],
            "loading": next(iter(taken.values()), None),
            "parts": parts[toolhead.pk, None],
            "counters": counters.get(toolhead.pk),
            "ahead": occupation.on_toolhead(toolhead.pk),
        }

    return [
        (printer, [describe(toolhead) for toolhead in _toolheads_in_use(printer)], parts[None, printer.pk])
        for printer in printers
    ]


def machine_new(request: HttpRequest) -> HttpResponse:
    form = NewPrinterForm(post_data(request))
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


def toolhead_new(request: HttpRequest, pk: int) -> HttpResponse:
    printer = get_object_or_404(Printer, pk=pk)
    form = ToolheadForm(post_data(request))
    if apply(form, lambda data: add_toolhead(printer, form.instance)):
        messages.success(request, f"{form.instance} is added. Fit its nozzle, drive gears and liner.")
        return redirect("machine", pk)
    return render(request, "machines/form.html", {"form": form, "printer": printer})


def machine_edit(request: HttpRequest, pk: int) -> HttpResponse:
    form = PrinterForm(post_data(request), instance=get_object_or_404(Printer, pk=pk))
    if apply(form, lambda data: save_printer(form.instance)):
        messages.success(request, f"{form.instance} is changed.")
        return redirect("machine", pk)
    return render(request, "machines/edit.html", {"form": form, "row": get_object_or_404(Printer, pk=pk)})


def toolhead_edit(request: HttpRequest, pk: int) -> HttpResponse:
    toolhead = get_object_or_404(Toolhead.objects.select_related("printer"), pk=pk)
    form = ToolheadForm(post_data(request), instance=toolhead)
    if apply(form, lambda data: save_toolhead(form.instance)):
        messages.success(request, f"{form.instance} is changed.")
        return redirect("machine", toolhead.printer_id)
    row = get_object_or_404(Toolhead.objects.select_related("printer"), pk=pk)
    return render(request, "machines/edit.html", {"form": form, "row": row, "toolhead": row})


def machine_retire(request: HttpRequest, pk: int) -> HttpResponse:
    printer = get_object_or_404(Printer, pk=pk)
    return _retire(request, printer, lambda at: retire(printer, at=at), pk)


def toolhead_retire(request: HttpRequest, pk: int) -> HttpResponse:
    toolhead = get_object_or_404(Toolhead.objects.select_related("printer"), pk=pk)
    return _retire(request, toolhead, lambda at: retire_toolhead(toolhead, at=at), toolhead.printer_id)


def _retire(
    request: HttpRequest, row: Printer | Toolhead, act: Callable[[datetime | None], object], printer_id: int
) -> HttpResponse:
    if row.retired_at is not None:
        # A second tap, or an old page.
        messages.error(
            request,
            f"{row} is out of use since {format_time(row.retired_at)} already.",
            extra_tags="out_of_use_already",
        )
        return redirect("machine", printer_id)
    form = RetireForm(post_data(request))
    if apply(form, lambda data: act(data["when"])):
        messages.success(request, f"{row} is out of use. It is listed under “Out of use”.")
        return redirect("machines") if isinstance(row, Printer) else redirect("machine", printer_id)
    return render(request, "machines/retire.html", {"form": form, "row": row, "machine": printer_id})


@require_POST
def machine_bring_back(request: HttpRequest, pk: int) -> HttpResponse:
    printer = get_object_or_404(Printer, pk=pk)
    notify_result(request, lambda: bring_back(printer), f"{printer} is in use again.")
    return redirect("machine", pk)


@require_POST
def toolhead_bring_back(request: HttpRequest, pk: int) -> HttpResponse:
    toolhead = get_object_or_404(Toolhead.objects.select_related("printer"), pk=pk)
    notify_result(request, lambda: bring_back_toolhead(toolhead), f"{toolhead} is in use again.")
    return redirect("machine", toolhead.printer_id)
