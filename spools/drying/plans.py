"""Drying plans: the set points, the stages and the hours for spools in a dryer, from their state at a time."""

from collections.abc import Sequence
from datetime import datetime

from django.utils import timezone

from spools.drying import heat_budget, search
from spools.drying.caps import compute_cap, limiting_spool
from spools.drying.choices import (
    WHOLE,
    Choice,
    build_load,
    build_loads,
    choose,
    choose_in_each,
    place_queue,
)
from spools.drying.drafts import Draft, DryerLoad
from spools.drying.dryers import Dryers, load_dryers
from spools.drying.gate import require_dryer, require_set_point, why_not_now
from spools.drying.options import (
    BatchPlan,
    DryingOption,
    Plan,
    PlanRequest,
    Slot,
    StaysGood,
    join_options,
    next_quarter,
)
from spools.drying.plan_statements import explain_choice, explain_impossible, explain_result, list_notes
from spools.drying.reels import find_limit_or_reel
from spools.drying.storage import forecast_storage
from spools.models import Place, Spool
from spools.moisture.state import moisture_of


def plan_drying(
    spool: Spool, dryer: Place, request: PlanRequest | None = None, *, at: datetime | None = None
) -> Plan:
    """The plan for a spool in a dryer, from its state at ``at``, until its turns are probably dry enough.

    Without a set point in the request: the best of a few, beside the spools in the dryer or once it is free.
    Without any request: as advised, for a job's turns where all of it takes too long.
    Refused: a place that is not a dryer, a set point above the cap.
    """
    (plan,) = plan_each([(spool, dryer)], request, at=at)
    return plan


def plan_each(
    pairs: Sequence[tuple[Spool, Place]], request: PlanRequest | None = None, *, at: datetime | None = None
) -> list[Plan]:
    """plan_drying for many pairs, in as few queries as for one (one more a pair with a set point)."""
    request = request or PlanRequest()
    dryers = _load_dryers([dryer for _, dryer in pairs], at)
    states = moisture_of({spool.pk: spool for spool, _ in pairs}.values(), dryers.at)
    place_queue(dryers)
    if request == WHOLE:
        rows = [(states[spool.pk], dryer) for spool, dryer in pairs]
        advised = choose_in_each(rows, dryers, all_options=True)
        return _build_plans([found[0] for found in advised], dryers, request)
    ways = [build_loads(spool, states[spool.pk], dryer, dryers, request) for spool, dryer in pairs]
    search.compute_drafts([load for loads in ways for load in loads], all_options=True)
    choices = [choose(loads, dryers)[0] for loads in ways]
    return _build_plans(choices, dryers, request)


def plan_together(
    spools: Sequence[Spool],
    dryer: Place,
    request: PlanRequest | None = None,
    *,
    at: datetime | None = None,
) -> BatchPlan:
    """The plan for several spools in a dryer at once, now, beside those that dry in it.

    Refused: see plan_drying; spools that cannot go in now.
    """
    request = request or PlanRequest()
    dryers = _load_dryers([dryer], at)
    states = moisture_of(spools, dryers.at)
    ids = {spool.pk for spool in spools}
    beside = [run for run in dryers.runs_in(dryer) if run.spool_id not in ids]
    load = build_load(spools, [states[spool.pk] for spool in spools], dryer, beside, dryers, request)
    search.compute_drafts([load], all_options=True)
    draft = search.choose_draft(load)
    inside = [run.spool for run in beside]
    require_set_point(spools, dryer, draft.set_point_c, first=draft.first, at=at)
    slot = Slot(next_quarter(dryers.at), [], [], [run.spool.code for run in beside])
    plans = _build_plans([Choice(load, draft, slot)], dryers, request)
    limiting = limiting_spool(spools, dryer, inside)
    others = [spool for spool in spools if spool.pk != limiting.pk]
    without_c = None
    if others and len(others) < len(spools):
        others_c = min(compute_cap(spool, dryer, others, inside=inside).cap_c for spool in others)
        without_c = others_c if others_c > plans[0].cap.cap_c else None
    return BatchPlan(
        plans=list(zip(spools, plans, strict=True)),
        set_point_c=draft.set_point_c,
        first=draft.first,
        hours=draft.total,
        cap=compute_cap(limiting, dryer),
        limiting_spool=limiting,
        without_limiting_c=without_c,
        options=[join_options(options) for options in zip(*(plan.options for plan in plans), strict=True)],
        mass_g=request.mass_g,
    )


def _load_dryers(places: Sequence[Place], at: datetime | None) -> Dryers:
    """The dryers of the shop at a time. Refused: a place that is not a dryer."""
    for dryer in places:
        require_dryer(dryer)
    return load_dryers(at or timezone.now())


def _build_plans(choices: Sequence[Choice], dryers: Dryers, request: PlanRequest) -> list[Plan]:
    """A plan for each spool of each choice."""
    rows = [(choice, n) for choice in choices for n in range(len(choice.load.spools))]
    dried = search.dry_windings([(choice.load, choice.draft) for choice in choices])
    masses_g = [choice.load.masses_g[n] for choice, n in rows]
    spools = [choice.load.spools[n] for choice, n in rows]
    stays_good = forecast_storage(spools, dried, masses_g, dryers.storages)
    return [
        _build_plan(choice, n, outlooks, dryers, request)
        for (choice, n), outlooks in zip(rows, stays_good, strict=True)
    ]


def _build_plan(
    choice: Choice, n: int, stays_good: list[StaysGood], dryers: Dryers, request: PlanRequest
) -> Plan:
    """The plan of the chosen draft for spool n of its load."""
    load, draft = choice.load, choice.draft
    spool, state = load.spools[n], load.states[n]
    others = [other for other in load.drafts if other is not draft]
    options = [_build_option(load, draft, n, True), *(_build_option(load, o, n, False) for o in others)]
    heat = heat_budget.compute_heat(spool, state.history.runs, state.at)
    share = heat_budget.life_share(spool, draft.stages(draft.hours[n] or 0.0))
    after = None if share is None or heat.life_share is None else heat.life_share + share
    blocked = why_not_now(
        load.spools,
        load.caps,
        draft.set_point_c,
        draft.first,
        load.at,
        runs=dryers.runs,
        idle=dryers.idle,
        dryer=load.dryer,
    )
    return Plan(
        option=options[0],
        cap=load.caps[n],
        reason=explain_result(load, draft, n),
        slot=choice.slot,
        target_pct=load.targets_pct[n],
        stays_good=stays_good,
        options=options,
        limited_by=find_limit_or_reel(load, draft, n),
        heat=heat,
        life_share=after,
        notes=list_notes(load, draft, n, after, request),
        blocked=blocked,
        possible=not any(run.spool_id == spool.pk for run in dryers.runs) and spool.ended_at is None,
        mass_g=search.outer_g(load, n),
    )


def _build_option(load: DryerLoad, draft: Draft, n: int, recommended: bool) -> DryingOption:
    """A draft as an option for spool n of the load."""
    hours = draft.hours[n]
    why = None if draft.possible else explain_impossible(load, draft)
    return DryingOption(
        set_point_c=draft.set_point_c,
        first=draft.first,
        hours=hours,
        likely_h=draft.likely_hours[n],
        floor_pct=load.floor_pct(draft, n),
        run_share=None if hours is None else heat_budget.run_share(load.spools[n], draft.stages(hours)),
        recommended=recommended,
        why=explain_choice(load, draft) if recommended else why,
    )
