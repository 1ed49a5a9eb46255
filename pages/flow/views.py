"""Flow checks: plan the blobs, type what they weigh, see the curve and the series of checks."""

from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _

from maintenance.flow.curve import advise_setup
from maintenance.flow.gcode import commands, minutes_of
from maintenance.flow.history import (
    CheckSeries,
    EvaluatedCheck,
    evaluate_checks,
    load_current_series,
    load_series_with,
    material_name,
)
from maintenance.flow.records import record_flow_check
from maintenance.flow.wording import format_usable
from maintenance.models import FlowCheck, Toolhead
from maintenance.parts.words import name_part
from maintenance.readiness.verdict import CAUTION, CLEAR
from pages.flow.charts import draw_control_charts, draw_curve
from pages.flow.forms import SHORT_CHECK, FlowMassesForm, FlowPlanForm
from pages.frame.forms import apply, post_data

PER_PAGE = 30


def toolhead_flow(request: HttpRequest, pk: int) -> HttpResponse:
    """The series with the parts that are on a toolhead, and all its checks, the newest first."""
    toolhead = get_object_or_404(Toolhead.objects.select_related("printer"), pk=pk)
    loading, now = toolhead.loadings.present().first(), timezone.now()
    checks = (
        FlowCheck.objects.filter(toolhead=pk)
        .order_by("-at", "-id")
        .select_related("spool__feedstock__polymer", "spool__feedstock__filler")
    )
    return render(
        request,
        "flow/toolhead.html",
        {
            "toolhead": toolhead,
            "loading": loading,
            "series": [_series_card(series) for series in load_current_series([pk], now).get(pk, [])],
            "page": Paginator(checks, PER_PAGE).get_page(request.GET.get("page")),
        },
    )


def flow_check_new(request: HttpRequest) -> HttpResponse:
    """First the plan, by GET; with it come the blobs, their G-code lines and the inputs for their masses.

    "change" beside a plan shows its inputs again.
    """
    query = request.POST if request.method == "POST" else request.GET
    planned = query if "rates" in query else None
    initial = SHORT_CHECK if "short" in query else {}
    plan = FlowPlanForm(
        planned, initial=initial | {name: query[name] for name in ("loading", "nozzle_c") if name in query}
    )
    if not plan.is_valid() or "change" in query:
        return render(request, "flow/plan.html", {"plan": plan, "short": "short" in query})
    blobs, setup = plan.blobs(), plan.setup
    assert setup is not None
    form = FlowMassesForm(post_data(request), blobs=blobs, setup=setup)
    recorded: list[FlowCheck] = []

    def record(data: dict[str, Any]) -> None:
        loading = plan.cleaned_data["loading"]
        recorded.append(
            record_flow_check(
                toolhead=loading.toolhead,
                spool=loading.spool,
                rates=form.rate_masses(),
                nozzle_c=plan.cleaned_data["nozzle_c"],
                **plan.setup_values(),
                at=data["when"],
                note=data["note"],
                by=request.user,
            )
        )

    if apply(form, record):
        messages.success(request, _("The flow check is recorded."))
        return redirect("flow-check", recorded[0].pk)
    return render(
        request,
        "flow/plan.html",
        {
            "plan": plan,
            "form": form,
            "setup": setup,
            "planned": urlencode({name: query.get(name, "") for name in plan.fields}),
            "loss_u_pct": 100 * setup.loss_u,
            "advice": advise_setup(setup),
            "minutes": minutes_of(blobs, setup),
            "grams": setup.commanded_g * len(blobs),
            "lines": "\n".join(commands(blobs, setup)),
        },
    )


def flow_check(request: HttpRequest, pk: int) -> HttpResponse:
    check = get_object_or_404(FlowCheck.objects.select_related("recorded_by"), pk=pk)
    [evaluated] = evaluate_checks(FlowCheck.objects.filter(pk=pk))
    series = load_series_with(evaluated)
    return render(
        request,
        "flow/detail.html",
        {
            "check": evaluated.check,
            "recorded_by": check.recorded_by,
            "material": material_name(evaluated.check.spool.feedstock),
            "result": _result(evaluated, series),
            "curve": draw_curve(evaluated.curve),
            "control": series and _control(series),
        },
    )


@dataclass(frozen=True)
class RateRow:
    """A rate as a row of the table; losses in %. baseline_pct: None where there is nothing to compare with."""

    flow_mm3_s: float
    mass_g: float
    loss_pct: float
    give_or_take_pct: float
    baseline_pct: float | None


def _result(evaluated: EvaluatedCheck, series: CheckSeries | None) -> dict[str, Any]:
    """A check in words and numbers, beside its baseline where it is not that itself."""
    baseline = None if series is None or series.baseline.check.pk == evaluated.check.pk else series.baseline
    curve = evaluated.curve
    rows = [
        RateRow(flow, mass, 100 * loss, 200 * u, _loss_pct(baseline, flow))
        for flow, mass, loss, u in zip(
            curve.flows_mm3_s.tolist(),
            curve.masses_g.tolist(),
            curve.losses.tolist(),
            curve.loss_u.tolist(),
            strict=True,
        )
    ]
    return {
        "usable": [(f"{100 * usable.loss:.0f}", format_usable(usable)) for usable in evaluated.usable()],
        "setting": evaluated.setting,
        "rows": rows,
        "baseline": baseline and baseline.check,
        "baseline_usable": baseline and [format_usable(usable) for usable in baseline.usable()],
        "reading": None if series is None else series.diagnosis(evaluated),
        "short_pct": abs(100 * curve.short),
        "heavier": curve.short < 0,
        "short_give_or_take_pct": 200 * curve.short_u,
        "fitted": [name_part(fitting.part) for fitting in evaluated.fitted.values()],
    }


def _loss_pct(evaluated: EvaluatedCheck | None, flow_mm3_s: float) -> float | None:
    if evaluated is None or flow_mm3_s > evaluated.curve.tested_mm3_s:
        return None
    return 100 * evaluated.curve.loss_at(flow_mm3_s)[0]


def _series_card(series: CheckSeries) -> dict[str, Any]:
    latest = series.latest
    return {
        "latest": latest.check,
        "material": material_name(latest.check.spool.feedstock),
        "fitted": [name_part(fitting.part) for fitting in latest.fitted.values()],
        "result": _result(latest, series),
        "curve": draw_curve(latest.curve),
        "control": _control(series),
    }


def _control(series: CheckSeries) -> dict[str, Any]:
    """The control chart of a series, in words and drawn."""
    return {
        "material": material_name(series.latest.check.spool.feedstock),
        "finding": series.finding,
        "state": None if series.chart is None else CAUTION if series.signal else CLEAR,
        "charts": draw_control_charts(series),
    }
