"""Drying one spool: choose a dryer, see the plan, start it."""

import math

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render

from pages.drying.forms import PlanForm, StartRunForm
from pages.frame.forms import apply, post_data, show_refusal
from pages.spools.lookup import with_spool
from spools.codes import pretty
from spools.drying import plans
from spools.drying import runs as drying_runs
from spools.drying.advice_wording import format_both_times
from spools.drying.gate import open_runs
from spools.drying.options import Plan, strong_limit_pct
from spools.drying.plan_statements import short_run_caution
from spools.drying.runs import DryingSettings
from spools.drying.starts import start_as_asked
from spools.models import Place, Spool


@with_spool
def spool_dry(request: HttpRequest, spool: Spool) -> HttpResponse:
    dryers = list(Place.objects.filter(kind=Place.Kind.DRYER).select_related("room"))
    dryer_id = request.POST.get("dryer") or request.GET.get("dryer")
    if dryer_id is None:
        dryer_plans = plans.plan_each([(spool, dryer) for dryer in dryers]) if dryers else []
        context = {"spool": spool, "rows": list(zip(dryers, dryer_plans, strict=True))}
        return render(request, "spools/choose_dryer.html", context)
    dryer = next((dryer for dryer in dryers if str(dryer.pk) == dryer_id), None)
    if dryer is None:
        raise Http404("There is no such dryer.")
    return _plan_and_start(request, spool, dryer)


def _plan_and_start(request: HttpRequest, spool: Spool, dryer: Place) -> HttpResponse:
    """The requested plan, or the usual one where the request is refused; a POST starts it."""
    query = request.POST if request.method == "POST" else request.GET
    replanned = PlanForm(query, strong_limit_pct=strong_limit_pct(spool), auto_id="plan_%s")
    plan = _plan(spool, dryer, replanned)
    form = StartRunForm(
        post_data(request), initial=_initial_values(plan), hours=plan.hours, is_hold=not plan.reachable
    )
    mass_g = None if replanned.errors else replanned.cleaned_data.get("mass_g")
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
            ),
            masses_g={spool.pk: mass_g},
            override_reason=data["override_reason"],
            at=data["when"],
            gross_g=None if data["gross_g"] is None else {spool.pk: data["gross_g"]},
            resolution_g=data["resolution_g"],
            by=request.user,
        ),
    ):
        messages.success(request, f"{pretty(spool.code)} is drying in {dryer}.")
        run = open_runs().get(spool=spool)
        for caution in (drying_runs.heat_caution(run), short_run_caution(plan, run.planned_hours)):
            if caution:
                messages.warning(request, caution.sentence)
        return redirect("spool", spool.code)
    context = {"spool": spool, "dryer": dryer, "plan": plan, "form": form, "replanned": replanned}
    return render(request, "spools/dry.html", context | {"stays_good": _group_places(plan)})


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
    return [format_both_times(*hours, f"In {', '.join(names)}") for hours, names in ordered]


def _plan(spool: Spool, dryer: Place, replanned: PlanForm) -> Plan:
    if replanned.is_valid():
        try:
            return plans.plan_drying(spool, dryer, replanned.plan_request())
        except ValidationError as error:
            show_refusal(replanned, error)
    return plans.plan_drying(spool, dryer)
