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
from spools.pages.forms import carried_out, sent, show_refusal

from .forms_shop import DryForm, FinishAllForm, FinishForm, TogetherForm

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
            "finished": [
                (run, drying_rules.loss_on_drying(run), drying_rules.loss_caution(run)) for run in finished
            ],
        },
    )


@login_required
def drying_start(request: HttpRequest, pk: int) -> HttpResponse:
    """Choose spools (GET), see their plan (GET with spools), start what was planned (POST of the same)."""
    dryer = get_object_or_404(Place.objects.select_related("room"), pk=pk, kind=Place.Kind.DRYER)
    inside = list(drying_rules.open_runs(dryer))
    choosable = Spool.objects.filter(emptied_at=None).exclude(
        pk__in=DryingRun.objects.filter(end=None).values("spool")
    )
    choosable = choosable.select_related("feedstock__polymer", "feedstock__maker", "feedstock__filler")
    asked = request.POST if request.method == "POST" else request.GET
    together = TogetherForm(asked or None, choosable=choosable)
    if not together.is_valid():
        rows = [_row(spool, dryer, inside) for spool in choosable]
        context = {"dryer": dryer, "inside": inside, "together": together, "rows": rows}
        return render(request, "drying/start.html", context)
    chosen = list(together.cleaned_data["spools"])
    limits = _limits(chosen, dryer, inside, together)
    form = DryForm(sent(request), spools=chosen)
    if together.is_valid() and carried_out(
        form,
        lambda data: drying_rules.start_drying(
            chosen,
            dryer,
            limits["set_point_c"],
            planned_hours=data["planned_hours"],
            at=data["when"],
            gross_g=form.gross_g(),
            resolution_g=data["resolution_g"],
            by=request.user,
        ),
    ):
        messages.success(request, f"Drying has begun in {dryer} at {limits['set_point_c']:g} °C.")
        return redirect("drying")
    plans = _plans(chosen, dryer, limits["set_point_c"])
    form.initial["planned_hours"] = max((plan.hours for _, plan in plans if plan.hours), default=None)
    context = {"dryer": dryer, "inside": inside, "together": together, "form": form}
    return render(request, "drying/plan.html", context | {"chosen": chosen, "plans": plans} | limits)


def _row(spool: Spool, dryer: Place, inside: list[DryingRun]) -> dict:
    """A spool that could go in, with its own cap and whether it may join what is drying now."""
    own = drying_rules.cap(spool, dryer)
    return {"spool": spool, "cap": own, "joins": not inside or inside[0].set_point_c <= own.cap_c}


def _limits(chosen: list[Spool], dryer: Place, inside: list[DryingRun], together: TogetherForm) -> dict:
    """The joint cap, the spool that sets it, and the set point; None where they may not go in together."""
    everyone = [*chosen, *(run.spool for run in inside)]
    caps = [(drying_rules.cap(spool, dryer), spool) for spool in everyone]
    lowest, setter = min(caps, key=lambda row: row[0].cap_c)
    usual_c = min(drying_rules.suggested_set_point_c(spool, dryer, everyone) for spool in everyone)
    if inside:
        usual_c = inside[0].set_point_c
    set_point_c = _allowed(together.cleaned_data["set_point_c"], usual_c, chosen, dryer, together)
    return {"lowest": lowest, "setter": setter, "set_point_c": set_point_c}


def _plans(
    chosen: list[Spool], dryer: Place, set_point_c: float | None
) -> list[tuple[Spool, drying_rules.Plan]]:
    if set_point_c is None:
        return []
    plans = drying_rules.plan_each([(spool, dryer) for spool in chosen], set_point_c=set_point_c)
    return list(zip(chosen, plans, strict=True))


def _allowed(
    asked_c: float | None, usual_c: float, chosen: list[Spool], dryer: Place, together: TogetherForm
) -> float | None:
    """The set point that was asked for, else the usual one, else None; each refusal stands on the form."""
    for set_point_c in dict.fromkeys([usual_c if asked_c is None else asked_c, usual_c]):
        try:
            drying_rules.check_set_point(chosen, dryer, set_point_c)
            return set_point_c
        except ValidationError as error:
            show_refusal(together, error)
    return None


@login_required
def drying_finish(request: HttpRequest, pk: int) -> HttpResponse:
    """End one run or all runs of a dryer: where each spool goes, and what it weighs."""
    dryer = get_object_or_404(Place, pk=pk, kind=Place.Kind.DRYER)
    rows = [RunRow(run) for run in drying_rules.open_runs(dryer)]
    common = FinishAllForm(sent(request))
    forms = [FinishForm(sent(request), run=row.run) for row in rows]
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
                lost = (
                    f" It lost {loss.mass_g:.1f} ± {loss.uncertainty_g:.1f} g ({loss.pct:.2f} %)."
                    if loss
                    else ""
                )
                said.append(f"{run.spool.code} is out of the dryer and in {data['place']}.{lost}")
    except ValidationError as error:
        show_refusal(form if "at" not in getattr(error, "error_dict", {}) else common, error)
        return False
    for sentence in said:
        messages.success(request, sentence)
    return True
