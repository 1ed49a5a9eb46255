"""Drying: what is in the dryers, what may go in together, and taking out."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.core.paginator import Paginator
from django.db import transaction
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _

from maintenance.board.version import board_version
from pages.charts.chart import Chart
from pages.drying.charts import draw_runs
from pages.drying.forms import BatchPlanForm, FinishRunForm, FinishRunsForm, StartRunsForm, valid_ids
from pages.drying.week import start_address
from pages.frame.forms import apply, post_data, show_refusal
from spools.air.climate import Climate, climates_now
from spools.board import board
from spools.codes import join_codes, pretty
from spools.drying import runs as drying_rules
from spools.drying.caps import compute_cap, limiting_spool, may_join
from spools.drying.dryers import planned_dryings
from spools.drying.gate import open_runs, stays_without_run
from spools.drying.loss import impossible_loss, loss_caution, loss_on_drying
from spools.drying.options import BatchPlan, PlanRequest
from spools.drying.plan_statements import short_run_caution
from spools.drying.plans import plan_together
from spools.drying.runs import DryingSettings
from spools.drying.starts import start_as_asked
from spools.drying.week.plans import accepted_plan
from spools.drying.week.starts import start_planned
from spools.inventory.queries import cut_search, search_spools
from spools.models import DryingRun, Place, PlannedDrying, Spool, Stay
from spools.refusals import refusal
from spools.statements import Statement
from spools.wording import format_mass, format_percent, format_temperature

SHOWN_FINISHED = 10
PER_PAGE = 50
# Cautions that are shown before a tap: the heat that a spool in a dryer may get is used up.
HEAT = ("drying.heat_is_used_up", "drying.take_out_by")


@dataclass
class RunRow:
    """A drying run with its hours so far, its set point now, the cautions of its advice, and its course.

    likely_at: when the spool is likely dry, by the board. free_at: when it is so and its plan is over.
    """

    run: DryingRun
    cautions: list[Statement]
    chart: Chart | None
    likely_at: datetime | None

    def __post_init__(self) -> None:
        self.ready_at = self.run.planned_end
        self.free_at = max(self.ready_at, self.likely_at or self.ready_at)
        self.heat = [caution for caution in self.cautions if caution.code in HEAT]
        now = timezone.now()
        self.hours = (now - self.run.start).total_seconds() / 3600
        self.is_done = now >= self.ready_at
        self.set_point_c = self.run.set_point_at(now)
        self.is_before_change = self.run.change_at is not None and now < self.run.change_at
        length = self.free_at - self.run.start
        self.percent = min(100, max(0, round(100 * ((now - self.run.start) / length))))


def _rows(runs: list[DryingRun]) -> list[RunRow]:
    board_rows = board.read([run.spool_id for run in runs]) if runs else {}
    cautions = {
        pk: [Statement.from_data(caution) for caution in row.advice.values["cautions"]]
        for pk, row in board_rows.items()
        if row.advice.values.get("run") is not None
    }
    charts = draw_runs(runs, board_rows, timezone.now()) if runs else {}
    ready_at = {pk: row.ready_at for pk, row in board_rows.items()}
    return [
        RunRow(run, cautions.get(run.spool_id, []), charts.get(run.spool_id), ready_at.get(run.spool_id))
        for run in runs
    ]


def _free_places(dryer: Place, spools: int) -> range:
    """The places that are left in a dryer of which it is recorded how many there are."""
    return range(max(0, (dryer.spool_capacity or 0) - spools))


def drying(request: HttpRequest) -> HttpResponse:
    live = board_version()
    dryers = list(Place.objects.in_use().filter(kind=Place.Kind.DRYER).select_related("room"))
    air = climates_now(dryers)
    runs = list(open_runs())
    stand = stays_without_run(dryers, timezone.now())
    finished = DryingRun.objects.filter(end__isnull=False).order_by("-end")
    finished = finished.select_related(
        *["spool__feedstock__maker", "spool__feedstock__polymer", "spool__feedstock__filler"],
        *["dryer", "before", "after"],
    )[:SHOWN_FINISHED]
    rows = _rows(runs)
    accepted = accepted_plan()
    planned = [] if accepted is None else list(accepted.standing().filter(run=None))
    return render(
        request,
        "drying/overview.html",
        {
            "live": live,
            "dryers": [_show_dryer(dryer, air[dryer.pk], rows, stand, planned) for dryer in dryers],
            "finished": [(run, loss_on_drying(run), loss_caution(run)) for run in finished],
        },
    )


def _show_dryer(
    dryer: Place,
    climate: Climate,
    rows: Sequence[RunRow],
    stand: Sequence[Stay],
    planned: Sequence[PlannedDrying],
) -> dict[str, Any]:
    """A dryer with what is in it, when it is free, and what is planned."""
    inside = [row for row in rows if row.run.dryer_id == dryer.pk]
    stays = [stay for stay in stand if stay.place_id == dryer.pk]
    return {
        "dryer": dryer,
        "climate": climate,
        "rows": inside,
        "stand": stays,
        "free_at": max((row.free_at for row in inside), default=None),
        "free_places": _free_places(dryer, len(inside) + len(stays)),
        "planned": [
            (drying, start_address(drying, planned)) for drying in planned if drying.dryer_id == dryer.pk
        ],
    }


def drying_start(request: HttpRequest, pk: int) -> HttpResponse:
    """Choose spools (GET), see their plan (GET with spools), start what was planned (POST of the same).

    With ?page= the spools are still being chosen; ?q= narrows the list as on the page of all spools.
    """
    dryer = get_object_or_404(Place.objects.select_related("room"), pk=pk, kind=Place.Kind.DRYER)
    inside = list(open_runs(dryer))
    choosable = Spool.objects.filter(ended_at=None).exclude(
        pk__in=DryingRun.objects.filter(end=None).values("spool")
    )
    choosable = choosable.select_related("feedstock__polymer", "feedstock__maker", "feedstock__filler")
    data = request.POST if request.method == "POST" else request.GET
    if "page" in data:
        return _choose(
            request, dryer, inside, choosable, BatchPlanForm(initial=data.dict(), choosable=choosable)
        )
    plan_form = BatchPlanForm(data or None, choosable=choosable)
    if not plan_form.is_valid():
        return _choose(request, dryer, inside, choosable, plan_form)
    planned = _load_planned(data.getlist("planned"), dryer)
    chosen = [row.spool for row in planned] or list(plan_form.cleaned_data["spools"])
    plan = _plan_batch(chosen, dryer, plan_form, as_planned=bool(planned))
    form = StartRunsForm(
        post_data(request),
        spools=chosen,
        initial={} if planned else _initial_values(plan),
        hours=None if plan is None else plan.hours,
        is_hold=plan is not None and plan.hours is None,
        as_planned=bool(planned),
    )
    if plan is not None and plan_form.is_valid() and _start(request, dryer, plan, form, planned):
        return redirect("drying")
    context = _inside(inside) | {"dryer": dryer, "plan_form": plan_form, "form": form, "chosen": chosen}
    limiting = limiting_spool(chosen, dryer, [run.spool for run in inside])
    context |= {"plan": plan, "limiting": limiting, "cap": compute_cap(limiting, dryer), "planned": planned}
    context["others"] = [spool for spool in chosen if spool.pk != limiting.pk]
    return render(request, "drying/plan.html", context)


def _inside(runs: Sequence[DryingRun]) -> dict[str, Any]:
    """The runs that go on in a dryer, and the codes of their spools."""
    return {"inside": runs, "inside_codes": join_codes([run.spool.code for run in runs])}


def _choose(
    request: HttpRequest,
    dryer: Place,
    inside: list[DryingRun],
    choosable: QuerySet[Spool],
    plan_form: BatchPlanForm,
) -> HttpResponse:
    """A page of the spools that may go in, below those that were chosen on other pages."""
    data = request.POST if request.method == "POST" else request.GET
    wanted = cut_search(data.get("q", ""))
    chosen = list(choosable.filter(pk__in=valid_ids(data.getlist("spools"))))
    others = search_spools(choosable.exclude(pk__in=[spool.pk for spool in chosen]), wanted)
    page = Paginator(others, PER_PAGE).get_page(data.get("page"))
    context = _inside(inside) | {
        "dryer": dryer,
        "plan_form": plan_form,
        "wanted": wanted,
        "page": page,
        "rows": [_row(spool, dryer, inside) | {"chosen": spool in chosen} for spool in [*chosen, *page]],
    }
    return render(request, "drying/start.html", context)


def _load_planned(ids: Sequence[str], dryer: Place) -> list[PlannedDrying]:
    """The dryings of the accepted plan with these ids that are to go into a dryer; others are left out."""
    wanted = valid_ids(ids)
    return [row for row in planned_dryings() if row.pk in wanted and row.dryer_id == dryer.pk]


def _start(
    request: HttpRequest,
    dryer: Place,
    batch: BatchPlan,
    form: StartRunsForm,
    planned: Sequence[PlannedDrying],
) -> bool:
    """Starts what was planned; the messages name what to look out for. A refusal is shown on the form."""
    plans = {spool.pk: plan for spool, plan in batch.plans}

    def start(data: dict[str, Any]) -> None:
        options = {
            "at": data["when"],
            "gross_g": form.gross_g(),
            "resolution_g": data["resolution_g"],
            "by": request.user,
        }
        if planned:
            start_planned(planned, override_reason=data["override_reason"], **options)
            return
        settings = DryingSettings(
            batch.set_point_c,
            first_set_point_c=data.get("first_set_point_c"),
            first_hours=data.get("first_hours"),
            planned_hours=data["planned_hours"],
            target_pct={pk: plan.target_pct for pk, plan in plans.items()},
            masses_g=dict.fromkeys(plans, batch.mass_g),
            override_reason=data["override_reason"],
        )
        start_as_asked([spool for spool, _ in batch.plans], dryer, settings, **options)

    if not apply(form, start):
        return False
    begun = _("Drying has begun in {dryer} at {temperature}.")
    messages.success(request, begun.format(dryer=dryer, temperature=format_temperature(batch.stages[0][0])))
    for run in open_runs(dryer).filter(spool__in=plans):
        plan = plans[run.spool_id]
        for caution in (drying_rules.heat_caution(run), short_run_caution(plan, run.planned_hours)):
            if caution:
                named = f"{pretty(run.spool.code)}: {caution.sentence}"
                messages.warning(request, named, extra_tags=caution.code)
    return True


def _row(spool: Spool, dryer: Place, inside: list[DryingRun]) -> dict:
    """A spool that could go in, with its own cap and whether it may join what is drying now."""
    cap = compute_cap(spool, dryer)
    joins = not inside or may_join(cap, inside[0], timezone.now())
    return {"spool": spool, "cap": cap, "joins": joins}


def _plan_batch(
    chosen: list[Spool], dryer: Place, plan_form: BatchPlanForm, *, as_planned: bool
) -> BatchPlan | None:
    """The plan that was asked for, else the best one, else None; each refusal stands on the form.

    as_planned: for dryings of the plan of the week, which no other plan replaces.
    """
    requests = []
    try:
        requests.append(plan_form.plan_request())
    except ValidationError as error:
        show_refusal(plan_form, error)
    for request in dict.fromkeys(requests if as_planned else [*requests, PlanRequest()]):
        try:
            return plan_together(chosen, dryer, request)
        except ValidationError as error:
            show_refusal(plan_form, error)
    return None


def _initial_values(batch: BatchPlan | None) -> dict[str, str]:
    """Initial values of the form, from the plan. Its hours stay empty: they are computed as it starts."""
    if batch is None or batch.first is None:
        return {}
    numbers = {"first_set_point_c": batch.first.set_point_c, "first_hours": batch.first.hours}
    return {name: f"{number:.4g}" for name, number in numbers.items()}


def drying_finish(request: HttpRequest, pk: int) -> HttpResponse:
    """End one run or all runs of a dryer: where each spool goes, and what it weighs."""
    dryer = get_object_or_404(Place, pk=pk, kind=Place.Kind.DRYER)
    rows = _rows(list(open_runs(dryer)))
    if request.method == "POST" and not rows:
        # A second tap, or an old page.
        messages.error(
            request,
            _("Nothing is drying in {dryer} any more: it was taken out already.").format(dryer=dryer),
            extra_tags="taken_out_already",
        )
        return redirect("drying")
    common = FinishRunsForm(post_data(request))
    forms = [FinishRunForm(post_data(request), run=row.run) for row in rows]
    if request.method == "POST" and _finish_chosen(common, forms, request):
        return redirect("drying")
    context = {"dryer": dryer, "common": common, "rows": list(zip(rows, forms, strict=True))}
    return render(request, "drying/finish.html", context)


def _finish_chosen(common: FinishRunsForm, forms: list[FinishRunForm], request: HttpRequest) -> bool:
    """End the chosen runs, all or none of them; a refusal stands on the form of its run."""
    if not all([common.is_valid(), *(form.is_valid() for form in forms)]):
        return False
    chosen = [form for form in forms if form.cleaned_data["out"]]
    if not chosen:
        common.add_error(None, refusal("no_spool", _("Choose at least one spool to take out.")))
        return False
    results: list[tuple[str, Statement | None]] = []
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

                results.append((_describe_result(run, data["place"]), loss_caution(run)))
    except ValidationError as error:
        show_refusal(form if "at" not in getattr(error, "error_dict", {}) else common, error)
        return False
    for sentence, caution in results:
        messages.success(request, sentence)
        if caution:
            messages.warning(request, caution.sentence, extra_tags=caution.code)
    return True


def _describe_result(run: DryingRun, place: Place) -> str:
    """Where a spool is after its run, and what it lost."""
    out = _("{code} is out of the dryer and in {place}.").format(code=pretty(run.spool.code), place=place)
    loss = loss_on_drying(run)
    if not loss or impossible_loss(run):
        return out
    lost = _("It lost {mass} ± {error} ({share}).").format(
        mass=format_mass(loss.mass_g, 1),
        error=format_mass(loss.uncertainty_g, 1),
        share=format_percent(loss.pct, 2),
    )
    return f"{out} {lost}"
