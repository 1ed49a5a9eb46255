"""Drying plans: the set points, the stages and the hours for spools in a dryer, from their state at a time."""

from collections.abc import Sequence
from datetime import datetime, timedelta

from django.utils import timezone

from spools.air.climate import room_airs
from spools.drying import heat_budget, search
from spools.drying.caps import compute_cap, limiting_spool
from spools.drying.forecast import forecast_storage
from spools.drying.gate import open_runs, require_dryer, require_set_point, stays_without_run, why_not_now
from spools.drying.options import BatchPlan, DryingOption, Plan, PlanRequest, join_options
from spools.drying.plan_wording import explain_choice, explain_impossible, explain_result, list_notes
from spools.drying.search import Draft, DryerLoad
from spools.models import Place, Spool
from spools.moisture.state import moisture_of

StaysGood = list[tuple[Place, float | None]]


def plan_drying(
    spool: Spool, dryer: Place, request: PlanRequest | None = None, *, at: datetime | None = None
) -> Plan:
    """The plan for a spool in a dryer, from its state at ``at``, until its turns are probably dry enough.

    Without a set point in the request: that of the runs in the dryer, if the cap allows it, or the best of a
    few. Refused: a place that is not a dryer, a set point above the cap.
    """
    (plan,) = plan_each([(spool, dryer)], request, at=at)
    return plan


def plan_each(
    pairs: Sequence[tuple[Spool, Place]], request: PlanRequest | None = None, *, at: datetime | None = None
) -> list[Plan]:
    """plan_drying for many pairs, in as few queries as for one (one more a pair with a set point)."""
    alone = [([spool], dryer) for spool, dryer in pairs]
    return [plan for _, (plan,) in _plan_loads(alone, request or PlanRequest(), at)]


def plan_together(
    spools: Sequence[Spool],
    dryer: Place,
    request: PlanRequest | None = None,
    *,
    at: datetime | None = None,
) -> BatchPlan:
    """The plan for several spools in a dryer at once, beside those that dry in it.

    Refused: see plan_drying; spools that cannot go in now.
    """
    ((load, plans),) = _plan_loads([(spools, dryer)], request or PlanRequest(), at)
    inside = [run.spool for run in load.beside]
    first = plans[0]
    require_set_point(spools, dryer, first.set_point_c, first=first.first, at=at)
    limiting = limiting_spool(spools, dryer, inside)
    others = [spool for spool in spools if spool.pk != limiting.pk]
    without_c = None
    if others and len(others) < len(spools):
        others_c = min(compute_cap(spool, dryer, others, inside=inside).cap_c for spool in others)
        without_c = others_c if others_c > first.cap.cap_c else None
    return BatchPlan(
        plans=list(zip(spools, plans, strict=True)),
        set_point_c=first.set_point_c,
        first=first.first,
        hours=join_options([plan.option for plan in plans]).hours,
        cap=compute_cap(limiting, dryer),
        limiting_spool=limiting,
        without_limiting_c=without_c,
        options=[join_options(options) for options in zip(*(plan.options for plan in plans), strict=True)],
    )


def _plan_loads(
    pairs: Sequence[tuple[Sequence[Spool], Place]], request: PlanRequest, at: datetime | None
) -> list[tuple[DryerLoad, list[Plan]]]:
    """Each load with a plan for each of its spools; the physics runs in four calls for all of them."""
    loads = _build_loads(pairs, request, at)
    search.compute_first_stages(loads)
    search.compute_hours(loads, request)
    chosen = [search.choose_draft(load) for load in loads]
    stays_good = iter(
        forecast_storage(
            [spool for load in loads for spool in load.spools],
            [winding for draft in chosen for winding in draft.dried],
            request.mass_g,
        )
    )
    return [
        (load, [_build_plan(load, draft, n, next(stays_good), request) for n in range(len(load.spools))])
        for load, draft in zip(loads, chosen, strict=True)
    ]


def _build_loads(
    pairs: Sequence[tuple[Sequence[Spool], Place]], request: PlanRequest, at: datetime | None
) -> list[DryerLoad]:
    """Loads the inputs of all pairs at once, and adds the drafts to compare."""
    dryers = [dryer for _, dryer in pairs]
    for dryer in dryers:
        require_dryer(dryer)
    runs = list(open_runs())
    now = at or timezone.now()
    idle = stays_without_run(dryers, now)
    rooms = room_airs(dryers, at)
    states = moisture_of({spool.pk: spool for spools, _ in pairs for spool in spools}.values(), at)
    loads = []
    for spools, dryer in pairs:
        ids = {spool.pk for spool in spools}
        beside = [run for run in runs if run.dryer_id == dryer.pk and run.spool_id not in ids]
        inside = [run.spool for run in beside]
        load = DryerLoad(
            spools=spools,
            dryer=dryer,
            beside=beside,
            caps=[compute_cap(spool, dryer, spools, inside=inside) for spool in spools],
            room=rooms[dryer.pk],
            states=[states[spool.pk] for spool in spools],
            targets_pct=[request.target_of(spool) for spool in spools],
            runs=runs,
            idle=idle,
            at=now,
        )
        search.add_drafts(load, request, at)
        loads.append(load)
    return loads


def _build_plan(load: DryerLoad, draft: Draft, n: int, stays_good: StaysGood, request: PlanRequest) -> Plan:
    """The plan of the chosen draft for spool n of the load."""
    spool, state = load.spools[n], load.states[n]
    others = [other for other in load.drafts if other is not draft]
    options = [_build_option(load, draft, n, True), *(_build_option(load, o, n, False) for o in others)]
    heat = heat_budget.compute_heat(spool, state.history.runs, state.at)
    hours = draft.hours[n]
    blocked = why_not_now(
        load.spools,
        load.caps,
        draft.set_point_c,
        draft.first,
        load.at,
        runs=load.runs,
        idle=load.idle,
        dryer=load.dryer,
    )
    share = heat_budget.life_share(spool, draft.stages(hours or 0.0))
    after = None if share is None or heat.life_share is None else heat.life_share + share
    return Plan(
        option=options[0],
        cap=load.caps[n],
        reason=explain_result(load, draft, n),
        ready_at=None if hours is None or blocked else state.at + timedelta(hours=hours),
        target_pct=load.targets_pct[n],
        stays_good=stays_good,
        options=options,
        heat=heat,
        life_share=after,
        notes=list_notes(load, draft, n, options, after, request),
        blocked=blocked,
    )


def _build_option(load: DryerLoad, draft: Draft, n: int, recommended: bool) -> DryingOption:
    """A draft as an option for spool n of the load."""
    hours = draft.hours[n]
    if recommended:
        why = explain_choice(load, draft)
    else:
        why = "" if draft.possible else explain_impossible(load, draft)
    return DryingOption(
        set_point_c=draft.set_point_c,
        first=draft.first,
        hours=hours,
        floor_pct=draft.floors_pct[n],
        run_share=None if hours is None else heat_budget.run_share(load.spools[n], draft.stages(hours)),
        recommended=recommended,
        why=why,
    )
