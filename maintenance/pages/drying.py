"""Drying: what is in the dryers, what may go in together, and taking out."""

from dataclasses import dataclass
from datetime import timedelta

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import ValidationError
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone

from spools import drying as drying_rules
from spools.climate import climates_now
from spools.models import DryingRun, Place, Spool
from spools.pages.forms import carried_out, show_refusal

from .forms_shop import DryForm, FinishAllForm, FinishForm

SHOWN_FINISHED = 10


@dataclass
class RunRow:
    """A drying run with its hours so far and the time at which it is done."""

    run: DryingRun

    def __post_init__(self) -> None:
        self.ready_at = self.run.start + timedelta(hours=self.run.planned_hours)
        self.hours = (timezone.now() - self.run.start).total_seconds() / 3600
        self.done = timezone.now() >= self.ready_at
        self.percent = min(100, max(0, round(100 * self.hours / self.run.planned_hours)))


@login_required
def drying(request: HttpRequest) -> HttpResponse:
    dryers = list(Place.objects.filter(kind=Place.Kind.DRYER).select_related("room"))
    air = climates_now(dryers)
    open_runs = list(drying_rules.open_runs())
    finished = DryingRun.objects.filter(end__isnull=False).order_by("-end")
    finished = finished.select_related("spool__feedstock__maker", "dryer", "before", "after")[:SHOWN_FINISHED]
    return render(
        request,
        "drying/overview.html",
        {
            "dryers": [
                (dryer, air[dryer.pk], [RunRow(run) for run in open_runs if run.dryer_id == dryer.pk])
                for dryer in dryers
            ],
            "finished": [(run, drying_rules.loss_on_drying(run)) for run in finished],
        },
    )


@login_required
def drying_start(request: HttpRequest, pk: int) -> HttpResponse:
    """Choose spools, see the plan, start: the plan is a GET, the start a POST of the same inputs."""
    dryer = get_object_or_404(Place.objects.select_related("room"), pk=pk, kind=Place.Kind.DRYER)
    inside = list(drying_rules.open_runs(dryer))
    choosable = Spool.objects.filter(emptied_at=None).exclude(
        drying_runs__end=None, drying_runs__isnull=False
    )
    choosable = list(choosable.select_related("feedstock__polymer", "feedstock__maker", "feedstock__filler"))
    data = request.POST if request.method == "POST" else request.GET if "spools" in request.GET else None
    form = DryForm(data, choosable=choosable)
    if request.method == "POST" and carried_out(form, lambda data: _start(form, dryer, request)):
        messages.success(
            request, f"Drying has started in {dryer}. Stay near on settings that are new to you."
        )
        return redirect("drying")
    context = {"dryer": dryer, "form": form, "rows": _rows(choosable, dryer, inside), "inside": inside}
    if form.is_bound and "spools" in getattr(form, "cleaned_data", {}):
        context |= _plan(form, dryer, inside)
    return render(request, "drying/start.html", context)


def _start(form: DryForm, dryer: Place, request: HttpRequest) -> list[DryingRun]:
    data = form.cleaned_data
    set_point_c = data["set_point_c"]
    if set_point_c is None:
        raise ValidationError({"set_point_c": "Give the set point."})
    return drying_rules.start_drying(
        list(data["spools"]),
        dryer,
        set_point_c,
        planned_hours=data["planned_hours"],
        at=data["when"],
        gross_g=form.gross_g(),
        resolution_g=data["resolution_g"] or 1.0,
        by=request.user,
    )


def _rows(choosable: list[Spool], dryer: Place, inside: list[DryingRun]) -> list[dict]:
    """Each spool that could go in, with its own cap and whether it may join what is drying now."""
    set_point_c = max((run.set_point_c for run in inside), default=None)
    rows = []
    for spool in choosable:
        own = drying_rules.cap(spool, dryer)
        joins = set_point_c is None or set_point_c <= own.cap_c
        rows.append({"spool": spool, "cap": own, "joins": joins, "set_point_c": set_point_c})
    return rows


def _plan(form: DryForm, dryer: Place, inside: list[DryingRun]) -> dict:
    """The joint cap, which spool sets it, and each spool's plan at the set point."""
    chosen = list(form.cleaned_data["spools"])
    everyone = [*chosen, *(run.spool for run in inside)]
    caps = {spool: drying_rules.cap(spool, dryer) for spool in everyone}
    setter = min(everyone, key=lambda spool: caps[spool].cap_c)
    set_point_c = form.cleaned_data.get("set_point_c")
    try:
        plans = [(s, drying_rules.plan_drying(s, dryer, set_point_c=set_point_c)) for s in chosen]
    except ValidationError as error:
        show_refusal(form, error)
        return {}
    hours = [plan.hours for _, plan in plans if plan.hours is not None]
    return {
        "plans": plans,
        "setter": setter,
        "lowest": caps[setter],
        "set_point_c": set_point_c,
        "hours": max(hours, default=None),
        "weighings": [form[f"gross_g_{spool.pk}"] for spool in chosen],
    }


@login_required
def drying_finish(request: HttpRequest, pk: int) -> HttpResponse:
    """End one run or all runs of a dryer: where each spool goes, and what it weighs."""
    dryer = get_object_or_404(Place, pk=pk, kind=Place.Kind.DRYER)
    rows = [RunRow(run) for run in drying_rules.open_runs(dryer)]
    common = FinishAllForm(request.POST or None)
    forms = [FinishForm(request.POST or None, run=row.run) for row in rows]
    if request.method == "POST" and _finished(common, forms, request):
        return redirect("drying")
    context = {"dryer": dryer, "common": common, "rows": list(zip(rows, forms, strict=True))}
    return render(request, "drying/finish.html", context)


def _finished(common: FinishAllForm, forms: list[FinishForm], request: HttpRequest) -> bool:
    """End the chosen runs, all or none of them; a refusal stands on the form of its run."""
    if not all([common.is_valid(), *(form.is_valid() for form in forms)]):
        return False
    chosen = [form for form in forms if form.cleaned_data["out"]]
    if not chosen:
        common.add_error(None, "Choose at least one spool to take out.")
        return False
    said = []
    try:
        with transaction.atomic():
            for form in chosen:
                data = form.cleaned_data
                run = drying_rules.finish_drying(
                    form.run,
                    place=data["place"],
                    at=common.cleaned_data["when"],
                    gross_g=data["gross_g"],
                    resolution_g=common.cleaned_data["resolution_g"],
                    by=request.user,
                )
                loss = drying_rules.loss_on_drying(run)
                lost = f" It lost {loss[0]:.1f} ± {loss[2]:.1f} g ({loss[1]:.2f} %)." if loss else ""
                said.append(f"{run.spool.code} is out of the dryer and in {data['place']}.{lost}")
    except ValidationError as error:
        show_refusal(form if "at" not in getattr(error, "error_dict", {}) else common, error)
        return False
    for sentence in said:
        messages.success(request, sentence)
    return True
