"""Machines: printers and toolheads, what is loaded, what is fitted and how long it lasts."""

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any

from django.contrib import messages
from django.core.paginator import Paginator
from django.db.models import Count, Prefetch, Q, Sum
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST

from maintenance.board.pictures import picture_machines
from maintenance.board.shop import Board, load_board
from maintenance.board.toolheads import read_upkeep
from maintenance.board.version import board_version
from maintenance.jobs.progress import Progress, load_progress
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
from maintenance.models import Fitting, Job, JobUse, Loading, Printer, PrinterEvent, Toolhead
from maintenance.parts.life import load_fitted_parts
from maintenance.parts.words import name_part
from maintenance.service.intervals import load_service_statuses
from pages.frame.forms import apply, post_data
from pages.frame.notices import notify_result
from pages.machines.forms import NewPrinterForm, PrinterForm, RetireForm, ToolheadForm
from pages.machines.part_rows import PartRow, build_board_row, build_row, order_by_role
from pages.machines.service import status_row
from spools.wording import format_time

SHOWN_JOBS = 10
PER_PAGE = 8
OPEN_STATES = (PrinterEvent.State.WAITING, PrinterEvent.State.REFUSED)
FITTING_COLUMNS = ("toolhead", "printer", "role", "start", "part__kind__name")
# The id of a toolhead, or of a printer for what the whole printer has once.
Site = tuple[int | None, int | None]
# A printer with its toolheads and the parts that it has once.
Described = tuple[Printer, list[dict], list[PartRow]]


def machines(request: HttpRequest) -> HttpResponse:
    live = board_version()
    in_use = Printer.objects.filter(retired_at=None).prefetch_related(_toolheads())
    page = Paginator(in_use, PER_PAGE).get_page(request.GET.get("page"))
    printers = list(page)
    board = _load_board(printers)
    described = _describe_machines(printers, _read_rows(printers, board.stock), board)
    context = {
        "page": page,
        "printers": described,
        "machines": _summarize(described, board),
        "retired": Printer.objects.exclude(retired_at=None),
        "live": live,
    }
    return render(request, "machines/list.html", context)


def machine(request: HttpRequest, pk: int) -> HttpResponse:
    open_events = Count("events", Q(events__state__in=OPEN_STATES, events__withdrawn_at=None))
    printers = Printer.objects.annotate(open_events=open_events).prefetch_related(_toolheads())
    printer: Any = get_object_or_404(printers, pk=pk)
    uses = JobUse.objects.filter(toolhead__printer=printer).order_by("-job__start")
    on_printer = Q(toolhead__printer=printer) | Q(printer=printer)
    past = Fitting.objects.valid().filter(on_printer, end__isnull=False).order_by("-end")
    board = _load_board([printer])
    [(_printer, toolheads, parts)] = _describe_machines([printer], _load_rows([printer]), board)
    return render(
        request,
        "machines/detail.html",
        {
            "printer": printer,
            "picture": None if printer.retired_at else picture_machines(board, [printer])[0],
            "toolheads": toolheads,
            "parts": parts,
            "retired": [toolhead for toolhead in printer.toolheads.all() if toolhead.retired_at is not None],
            "services": [
                status_row(status)
                for status in load_service_statuses(_toolheads_in_use(printer))
                if status.since.overdue
            ],
            "uses": uses.select_related("job", "spool", "toolhead")[:SHOWN_JOBS],
            "running": _list_running(board, printer),
            "open_events": printer.open_events,
            "past": [
                (row, name_part(row.part))
                for row in past.select_related("part__kind", "toolhead__printer", "printer")[:SHOWN_JOBS]
            ],
        },
    )


def _list_running(board: Board, printer: Printer) -> list[tuple[Job, Progress]]:
    """The jobs that print there, with the progress that the printer's host reported. No query where none prints."""
    heads = {toolhead.pk for toolhead in printer.toolheads.all()}
    progress = load_progress(
        {row.job for row in board.occupation.rows if row.printing and row.toolhead_id in heads}
    )
    jobs = Job.objects.in_bulk(progress)
    return [(jobs[pk], reported) for pk, reported in progress.items()]


def _toolheads() -> Prefetch:
    loaded = Loading.objects.present().select_related("spool__feedstock__maker", "spool__feedstock__polymer")
    return Prefetch(
        "toolheads", Toolhead.objects.prefetch_related(Prefetch("loadings", loaded.order_by("slot")))
    )


def _toolheads_in_use(printer: Printer) -> list[Toolhead]:
    return [toolhead for toolhead in printer.toolheads.all() if toolhead.retired_at is None]


def _load_board(printers: Sequence[Printer]) -> Board:
    """The board of the toolheads of these printers and of the spools on them."""
    heads = _list_toolheads(printers)
    spools = [loading.spool_id for head in heads for loading in head.loadings.all()]
    return load_board(spools, [head.pk for head in heads])


def _load_rows(printers: Sequence[Printer]) -> dict[Site, list[PartRow]]:
    """The parts on the toolheads of these printers and on these themselves, from the facts."""
    by_site: dict[Site, dict[str, PartRow]] = defaultdict(dict)
    for wear in load_fitted_parts(toolhead.pk for toolhead in _list_toolheads(printers)):
        if wear.fitting is not None:
            by_site[wear.fitting.toolhead_id, wear.fitting.printer_id][wear.kind.role] = build_row(wear)
    return _in_order(by_site, printers)


def _read_rows(printers: Sequence[Printer], stock: Mapping[str, int]) -> dict[Site, list[PartRow]]:
    """The same from the board. Three queries however many parts."""
    toolheads = _list_toolheads(printers)
    board = read_upkeep(timezone.now(), [toolhead.pk for toolhead in toolheads])
    upkeep = {part.part: part for toolhead in board.values() for part in toolhead.parts}
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
    printers: Sequence[Printer], parts: Mapping[Site, list[PartRow]], board: Board
) -> list[Described]:
    """Each printer with its toolheads (loaded spool, parts, counters) and its own parts. One query."""
    uses = JobUse.objects.filter(toolhead__in=_list_toolheads(printers), job__withdrawn_at=None)
    totals = uses.values("toolhead").annotate(
        jobs=Count("job"), mass_g=Sum("mass_g"), hours=Sum("job__hours")
    )
    counters = {row["toolhead"]: row for row in totals}

    def describe(toolhead: Toolhead) -> dict:
        taken = {loading.slot: loading for loading in toolhead.loadings.all()}
        return {
            "toolhead": toolhead,
            "slots": [(slot, taken.get(slot)) for slot in range(1, toolhead.slots + 1)],
            "loading": next(iter(taken.values()), None),
            "parts": parts[toolhead.pk, None],
            "counters": counters.get(toolhead.pk),
            "ahead": board.occupation.on_toolhead(toolhead.pk),
        }

    return [
        (printer, [describe(toolhead) for toolhead in _toolheads_in_use(printer)], parts[None, printer.pk])
        for printer in printers
    ]


def _summarize(described: Sequence[Described], board: Board) -> list[dict[str, Any]]:
    """Each machine as a picture, with the parts that something is to be done about and the number of the others.

    worn: (site, address to fit a part, address to record one, row).
    """
    pictures = picture_machines(board, [printer for printer, _heads, _parts in described])
    machines = []
    for picture, (printer, heads, parts) in zip(pictures, described, strict=True):
        sites = [(printer, "printer-", parts), *((row["toolhead"], "", row["parts"]) for row in heads)]
        rows = [
            (
                site,
                reverse(f"{prefix}part-fit", args=[site.pk]),
                reverse(f"{prefix}part-fit-used", args=[site.pk]),
                row,
            )
            for site, prefix, site_rows in sites
            for row in site_rows
        ]
        worn = [row for row in rows if not row[-1].is_sound]
        machines.append({"picture": picture, "worn": worn, "sound": len(rows) - len(worn)})
    return machines


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
        messages.success(request, _added(form.instance))
        return redirect("machine", form.instance.pk)
    return render(request, "machines/form.html", {"form": form, "head": head})


def _added(row: Printer | Toolhead) -> str:
    return _("{name} is added. Record the nozzle, the drive gears and the liner that are on it.").format(
        name=row
    )


def toolhead_new(request: HttpRequest, pk: int) -> HttpResponse:
    printer = get_object_or_404(Printer, pk=pk)
    form = ToolheadForm(post_data(request))
    if apply(form, lambda data: add_toolhead(printer, form.instance)):
        messages.success(request, _added(form.instance))
        return redirect("machine", pk)
    return render(request, "machines/form.html", {"form": form, "printer": printer})


def machine_edit(request: HttpRequest, pk: int) -> HttpResponse:
    form = PrinterForm(post_data(request), instance=get_object_or_404(Printer, pk=pk))
    if apply(form, lambda data: save_printer(form.instance)):
        messages.success(request, _("{name} is changed.").format(name=form.instance))
        return redirect("machine", pk)
    return render(request, "machines/edit.html", {"form": form, "row": get_object_or_404(Printer, pk=pk)})


def toolhead_edit(request: HttpRequest, pk: int) -> HttpResponse:
    toolhead = get_object_or_404(Toolhead.objects.select_related("printer"), pk=pk)
    form = ToolheadForm(post_data(request), instance=toolhead)
    if apply(form, lambda data: save_toolhead(form.instance)):
        messages.success(request, _("{name} is changed.").format(name=form.instance))
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
            _("{name} is out of use since {time} already.").format(
                name=row, time=format_time(row.retired_at)
            ),
            extra_tags="out_of_use_already",
        )
        return redirect("machine", printer_id)
    form = RetireForm(post_data(request))
    if apply(form, lambda data: act(data["when"])):
        messages.success(
            request, _("{name} is out of use. It is listed under “Out of use”.").format(name=row)
        )
        return redirect("machines") if isinstance(row, Printer) else redirect("machine", printer_id)
    return render(request, "machines/retire.html", {"form": form, "row": row, "machine": printer_id})


@require_POST
def machine_bring_back(request: HttpRequest, pk: int) -> HttpResponse:
    printer = get_object_or_404(Printer, pk=pk)
    notify_result(request, lambda: bring_back(printer), _("{name} is in use again.").format(name=printer))
    return redirect("machine", pk)


@require_POST
def toolhead_bring_back(request: HttpRequest, pk: int) -> HttpResponse:
    toolhead = get_object_or_404(Toolhead.objects.select_related("printer"), pk=pk)
    notify_result(
        request, lambda: bring_back_toolhead(toolhead), _("{name} is in use again.").format(name=toolhead)
    )
    return redirect("machine", toolhead.printer_id)
