"""Machines: printers and toolheads, what is loaded, what is fitted and how long it lasts."""

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.db.models import Count, Prefetch, Sum
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render

from maintenance.machines import add_printer, add_toolhead
from maintenance.models import Fitting, JobUse, Loading, PartKind, Printer, Toolhead
from maintenance.parts import LifeLeft, in_stock, life_left
from maintenance.readiness import CAUTION, CLEAR, HOLD, LIKELY, POSSIBLE
from maintenance.service_log import statuses
from spools.pages.forms import carried_out, sent

from .forms_shop import PrinterForm, ToolheadForm
from .service import status_row

SHOWN_JOBS = 10
UNITS: dict[str, str] = {
    PartKind.Unit.DOSE: "km of filler slid through",
    PartKind.Unit.FEED: "km of filament",
    PartKind.Unit.HOT: "hot hours",
}


@login_required
def machines(request: HttpRequest) -> HttpResponse:
    printers = Printer.objects.filter(retired_at=None).prefetch_related(_toolheads())
    return render(request, "machines/list.html", {"printers": _described(list(printers))})


@login_required
def machine(request: HttpRequest, pk: int) -> HttpResponse:
    printer = get_object_or_404(Printer.objects.prefetch_related(_toolheads()), pk=pk)
    uses = JobUse.objects.filter(toolhead__printer=printer).order_by("-job__start")
    past = Fitting.objects.filter(toolhead__printer=printer, end__isnull=False).order_by("-end")
    return render(
        request,
        "machines/detail.html",
        {
            "printer": printer,
            "toolheads": _described([printer])[0][1],
            "services": [
                status_row(status) for status in statuses(printer.toolheads.all()) if status.since.overdue
            ],
            "uses": uses.select_related("job", "spool", "toolhead")[:SHOWN_JOBS],
            "past": past.select_related("part__kind", "toolhead")[:SHOWN_JOBS],
        },
    )


def _toolheads() -> Prefetch:
    fitted = Fitting.objects.filter(end=None).select_related("part__kind")
    loaded = Loading.objects.present().select_related("spool__feedstock__maker", "spool__feedstock__polymer")
    return Prefetch(
        "toolheads",
        Toolhead.objects.prefetch_related(Prefetch("fittings", fitted), Prefetch("loadings", loaded)),
    )


def _described(printers: list[Printer]) -> list[tuple[Printer, list[dict]]]:
    """Each printer with its toolheads: loaded spool, part and life left by role, counters."""
    toolheads = [toolhead for printer in printers for toolhead in printer.toolheads.all()]
    parts = [fitting.part for toolhead in toolheads for fitting in toolhead.fittings.all()]
    left = life_left(parts)
    stock = in_stock()
    counters = {
        row["toolhead"]: row
        for row in JobUse.objects.filter(toolhead__in=toolheads, job__withdrawn_at=None)
        .values("toolhead")
        .annotate(jobs=Count("job"), mass_g=Sum("mass_g"), hours=Sum("job__hours"))
    }

    def part(label: str, fitting: Fitting | None) -> dict:
        if fitting is None:
            return part_row(label, None, None, 0)
        return part_row(label, fitting, left.get(fitting.part_id), stock.get(fitting.part.kind_id, 0))

    def described(toolhead: Toolhead) -> dict:
        loadings = list(toolhead.loadings.all())
        by_role = {fitting.role: fitting for fitting in toolhead.fittings.all()}
        return {
            "toolhead": toolhead,
            "loading": loadings[0] if loadings else None,
            "parts": [part(label, by_role.get(role)) for role, label in PartKind.Role.choices],
            "counters": counters.get(toolhead.pk),
        }

    return [(printer, [described(toolhead) for toolhead in printer.toolheads.all()]) for printer in printers]


def part_row(label: str, fitting: Fitting | None, life: LifeLeft | None, in_stock: int) -> dict:
    """A part with the life that is left of it: in words, and as shares (in %) of a bar."""
    row: dict = {"role": label, "fitting": fitting, "life": life, "in_stock": in_stock}
    if fitting is not None and life is not None:
        full = life.age + max(life.high_left, 0)
        low, median, high = (
            _percent(left, full) for left in (life.low_left, life.median_left, life.high_left)
        )
        used_up = life.probability_used_up
        row |= {
            "unit": UNITS[fitting.part.kind.life_unit],
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
    form = PrinterForm(sent(request))
    head = ToolheadForm(sent(request), prefix="head")
    if (request.method != "POST" or head.is_valid()) and carried_out(
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
    form = ToolheadForm(sent(request))
    if carried_out(form, lambda data: add_toolhead(printer, form.instance)):
        messages.success(request, f"{form.instance} is added. Fit its nozzle, drive gears and liner.")
        return redirect("machine", pk)
    return render(request, "machines/form.html", {"form": form, "printer": printer})
