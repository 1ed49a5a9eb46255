"""Drying one spool: choose a dryer, see the plan, start it."""

import math
from datetime import datetime
from typing import Any

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _

from pages.drying.charts import draw_advised
from pages.drying.forms import PlanForm, StartRunForm
from pages.drying.week import start_address
from pages.frame.forms import apply, post_data, show_refusal
from pages.spools.lookup import with_spool_in_use
from spools.board import board
from spools.codes import pretty
from spools.drying import plans
from spools.drying import runs as drying_runs
from spools.drying.advice_wording import format_both_times
from spools.drying.dryers import planned_dryings
from spools.drying.gate import open_runs
from spools.drying.options import Plan, strong_limit_pct
from spools.drying.plan_statements import short_run_caution
from spools.drying.plan_wording import name_limit
from spools.drying.runs import DryingSettings
from spools.drying.starts import start_as_asked
from spools.models import Place, Spool, SpoolBoard


@with_spool_in_use
def spool_dry(request: HttpRequest, spool: Spool) -> HttpResponse:
    dryers = list(Place.objects.in_use().filter(kind=Place.Kind.DRYER).select_related("room"))
    dryer_id = request.POST.get("dryer") or request.GET.get("dryer")
    row = board.read([spool.pk]).get(spool.pk)
    if dryer_id is None:
        pairs = [(spool, dryer) for dryer in dryers]
        # As of the advice, so that the plan of the advised dryer has its numbers.
        dryer_plans = plans.plan_each(pairs, at=None if row is None else row.computed_at) if dryers else []
        context = {"spool": spool, "rows": list(zip(dryers, dryer_plans, strict=True)), **_advice(row)}
        return render(request, "spools/choose_dryer.html", context)
    dryer = next((dryer for dryer in dryers if str(dryer.pk) == dryer_id), None)
    if dryer is None:
        raise Http404(_("There is no such dryer."))
    return _plan_and_start(request, spool, dryer, row)


def _advice(row: SpoolBoard | None) -> dict[str, Any]:
    """The advice on the board, and the address of what the plan of the week has for the spool."""
    if row is None:
        return {}
    planned_id = row.advice.values.get("planned")
    ahead = list(planned_dryings()) if planned_id is not None else []
    planned = next((drying for drying in ahead if drying.pk == planned_id), None)
    return {"advice": row.advice, "planned": planned and start_address(planned, ahead)}


def _plan_and_start(request: HttpRequest, spool: Spool, dryer: Place, row: SpoolBoard | None) -> HttpResponse:
    """The requested plan, or the usual one where the request is refused; a POST starts it."""
    query = request.POST if request.method == "POST" else request.GET
    replanned = PlanForm(query, strong_limit_pct=strong_limit_pct(spool), auto_id="plan_%s")
    # A start is computed for now; the page shows the numbers of the advice.
    at = row.computed_at if row is not None and request.method == "GET" else None
    plan = _plan(spool, dryer, replanned, at)
    form = StartRunForm(
        post_data(request), initial=_initial_values(plan), hours=plan.hours, is_hold=not plan.reachable
    )
    if apply(
        form,
        lambda data: start_as_asked(
            [spool],
            dryer,
            DryingSettings(
                data["set_point_c"],
                first_set_point_c=data.get("first_set_point_c"),
                first_hours=data.get("first_hours"),
                planned_hours=data["planned_hours"],
                target_pct=plan.target_pct,
                masses_g={spool.pk: plan.mass_g},
                override_reason=data["override_reason"],
            ),
            at=data["when"],
            gross_g=None if data["gross_g"] is None else {spool.pk: data["gross_g"]},
            resolution_g=data["resolution_g"],
            by=request.user,
        ),
    ):
        messages.success(
            request, _("{code} is drying in {dryer}.").format(code=pretty(spool.code), dryer=dryer)
        )
        run = open_runs().get(spool=spool)
        for caution in (drying_runs.heat_caution(run), short_run_caution(plan, run.planned_hours)):
            if caution:
                messages.warning(request, caution.sentence, extra_tags=caution.code)
        return redirect("spool", spool.code)
    context = {"spool": spool, "dryer": dryer, "plan": plan, "form": form, "replanned": replanned}
    context |= _advice(row)
    chart = None if row is None or plan.hours == 0 else draw_advised(row, dryer.pk, timezone.now())
    limit = name_limit(plan.limited_by.as_data()) or plan.limited_by.sentence
    return render(
        request,
        "spools/dry.html",
        context | {"stays_good": _group_places(plan), "limit": limit, "chart": chart},
    )


def _initial_values(plan: Plan) -> dict[str, str]:
    """Initial values of the form, from the plan. Its hours stay empty: they are computed as it starts."""
    numbers = {"set_point_c": plan.set_point_c}
    if plan.first is not None:
        numbers |= {"first_set_point_c": plan.first.set_point_c, "first_hours": plan.first.hours}
    return {name: f"{number:.4g}" for name, number in numbers.items() if number is not None}


def _group_places(plan: Plan) -> list[str]:
    """How long the spool prints well and stays printable, by place: equal places together, the best first."""
    places: dict[tuple[float | None, float | None], list[str]] = {}
    for good in plan.stays_good:
        places.setdefault((good.well_h, good.printable_h), []).append(good.place.name)
    ordered = sorted(places.items(), key=lambda row: [-math.inf if h is None else -h for h in row[0]])
    return [
        format_both_times(*hours, _("In {places}").format(places=", ".join(names)))
        for hours, names in ordered
    ]


def _plan(spool: Spool, dryer: Place, replanned: PlanForm, at: datetime | None) -> Plan:
    if replanned.is_valid():
        try:
            return plans.plan_drying(spool, dryer, replanned.plan_request(), at=at)
        except ValidationError as error:
            show_refusal(replanned, error)
    return plans.plan_drying(spool, dryer, at=at)
