"""The statements of a drying plan: its result, the reasons of its options, and its cautions."""

import math
from typing import Any

from spools.drying import heat_budget, search, softening
from spools.drying.drafts import Draft, DryerLoad, FirstStageReason
from spools.drying.exchange import explain_exchange
from spools.drying.limiting import list_hotter
from spools.drying.offers import offer_runs, offer_turns
from spools.drying.options import (
    DRYING_PROBE_HOURS,
    LONGEST_USUAL_H,
    LONGEST_WHOLE_H,
    STRONG,
    Plan,
    PlanRequest,
)
from spools.physics_inputs import SMALL_JOB_G
from spools.statements import Statement


def explain_impossible(load: DryerLoad, draft: Draft) -> Statement:
    """The reason why a draft is impossible: too soft, or too soft with the dryer's error."""
    error_k = load.dryer.set_point_error_c
    if draft.set_point_c - error_k <= min(cap.start_c for cap in load.caps):
        return Statement("drying.too_soft_with_error", {"error_k": error_k})
    return Statement("drying.too_soft")


def explain_choice(load: DryerLoad, draft: Draft) -> Statement:
    """The reason why this draft is recommended."""
    same_runs = [run for run in load.beside if run.set_point_c == draft.set_point_c]
    if draft.first_reason is FirstStageReason.SHARED or same_runs:
        return Statement("drying.chosen_shared")
    if load.asked:
        return Statement("drying.chosen_asked")
    usual = load.drafts[0]
    if draft.total is None:
        return Statement("drying.chosen_hottest")
    share, usual_share = (max(load.run_shares(each)) for each in (draft, usual))
    if share > heat_budget.ALL:
        return Statement("drying.chosen_least_heat", {"share": share})
    if draft is usual:
        return Statement("drying.chosen_usual")
    values: dict[str, Any] = {"usual_c": usual.set_point_c, "usual_hours": usual.total}
    if usual.total is None:
        return Statement("drying.chosen_as_usual_never_suffices", values)
    if usual_share > heat_budget.ALL:
        return Statement("drying.chosen_as_usual_is_too_much_heat", values | {"share": usual_share})
    if usual.total <= LONGEST_USUAL_H:
        return Statement("drying.chosen_quickest")
    return Statement("drying.chosen_as_usual_is_slow", values)


def explain_result(load: DryerLoad, draft: Draft, n: int) -> Statement:
    """The result for spool n of the load: after how many hours it is dry, or why it never is."""
    hours = draft.hours[n]
    likely_h = draft.likely_hours[n] if hours else None
    values: dict[str, Any] = {"target_pct": load.targets_pct[n], "set_point_c": draft.set_point_c}
    if hours == 0:
        return Statement("drying.dry_already", {"target_pct": load.targets_pct[n]})
    if hours is not None and draft.first is None:
        return Statement("drying.dry_after", values | {"hours": hours, "likely_h": likely_h})
    if hours is not None and draft.first is not None:
        first = {"first_c": draft.first.set_point_c, "first_hours": draft.first.hours}
        why = _explain_first_stage(load, draft).as_data()
        return Statement(
            "drying.dry_after_stages", values | first | {"hours": hours, "likely_h": likely_h, "why": why}
        )
    if not draft.possible:
        soft = {"polymers": _softened_polymers(load, draft), "first_hours": softening.PROBE_HOURS[-1]}
        return Statement("drying.never_hard_enough", {"set_point_c": draft.set_point_c} | soft)
    values |= {"hotter_here_c": _hotter_here_c(load, draft), "hotter": list_hotter(load, draft, n)}
    if load.is_floored(draft.set_point_c, n):
        room = {"temperature_c": load.room.temperature_c, "rh_pct": load.room.rh_pct}
        return Statement("drying.too_humid", values | room)
    return Statement("drying.too_slow", values | {"hours": DRYING_PROBE_HOURS[-1]})


def _hotter_here_c(load: DryerLoad, draft: Draft) -> float | None:
    """The highest set point of this dryer, where the request names a cooler one; else None."""
    most_c = math.floor(min(cap.start_hottest_c for cap in load.caps))
    return most_c if load.asked and draft.first is None and most_c > draft.set_point_c else None


def _softened_polymers(load: DryerLoad, draft: Draft) -> list[str]:
    return list(dict.fromkeys(load.spools[n].feedstock.polymer.name for n in load.softened(draft)))


def _explain_first_stage(load: DryerLoad, draft: Draft) -> Statement:
    if draft.first_reason is FirstStageReason.SOFT:
        values = {"set_point_c": draft.set_point_c, "error_k": load.dryer.set_point_error_c}
        return Statement("drying.first_while_soft", values | {"polymers": _softened_polymers(load, draft)})
    if draft.first_reason is FirstStageReason.SHARED:
        return Statement("drying.first_shared")
    if draft.first_reason is FirstStageReason.HEAT:
        return Statement("drying.first_for_heat", {"set_point_c": draft.set_point_c})
    return Statement("drying.first_while_wet")


def list_notes(
    load: DryerLoad, draft: Draft, n: int, life_share: float | None, request: PlanRequest
) -> list[Statement]:
    """Cautions beside a plan: the goal, the dryer's error and air, the heat budget, a rough diffusivity."""
    notes = []
    if request.goal == STRONG:
        notes.append(Statement("drying.strong_limit", {"floor_pct": load.floor_pct(draft, n)}))
    notes += _error_above_cap(load, draft, n)
    notes += explain_exchange(load, draft, n)
    share = _run_share(load, draft, n)
    outer_g = search.outer_g(load, n)
    if outer_g is not None:
        notes.append(Statement("drying.inside_stays_damp", {"mass_g": outer_g}))
    elif load.masses_g[n] is None and (draft.total is None or draft.total > LONGEST_WHOLE_H):
        notes += _turns_instead(load, n)
    if share is not None and share > heat_budget.ALL:
        notes.append(_over_budget(load, draft, n, share))
    elif share is not None and share >= heat_budget.HALF:
        notes.append(Statement("drying.run_heat", {"share": share}))
    if life_share is not None and life_share >= heat_budget.HALF:
        notes.append(Statement("drying.life_heat", {"share": life_share}))
    if load.spools[n].feedstock.polymer.grade_rate == "D":
        notes.append(Statement("drying.rate_from_memory"))
    return notes


def _turns_instead(load: DryerLoad, n: int) -> list[Statement]:
    """The caution that a small job needs less than all of spool n: its turns are dry now, or sooner."""
    if search.is_dry(load.states[n].winding, load.targets_pct[n], SMALL_JOB_G):
        return [Statement("drying.outside_is_dry", {"mass_g": SMALL_JOB_G})]
    turns = offer_turns(load, n)
    return [] if turns is None else [Statement("drying.only_turns", turns._asdict())]


def _run_share(load: DryerLoad, draft: Draft, n: int) -> float | None:
    """The share of the budget of one run; None without a budget, or where the draft never suffices."""
    hours = draft.hours[n]
    return None if hours is None else heat_budget.run_share(load.spools[n], draft.stages(hours))


def _error_above_cap(load: DryerLoad, draft: Draft, n: int) -> list[Statement]:
    """The caution that the dryer may get hotter than the spool stands."""
    cap, error_k = load.caps[n], load.dryer.set_point_error_c
    limit_c, hottest_c = (
        (cap.start_c, cap.start_hottest_c) if draft.first is None else (cap.cap_c, cap.hottest_c)
    )
    if not draft.possible or draft.set_point_c <= hottest_c:
        return []
    values = {"error_k": error_k, "limit_c": limit_c, "hottest_c": math.floor(hottest_c)}
    return [Statement("drying.error_above_cap", values)]


def _over_budget(load: DryerLoad, draft: Draft, n: int, share: float) -> Statement:
    """The caution that a run is too much heat for a polyamide, with its ways out.

    gentler: another option that keeps to the budget; else two or more runs, and the turns of a small job alone.
    """
    gentler = [
        {"hours": other.hours[n], "set_point_c": other.set_point_c, "share": run_share}
        for other in load.drafts
        if other.hours
        and (run_share := _run_share(load, other, n)) is not None
        and run_share <= heat_budget.ALL
    ]
    shortest = min(gentler, key=lambda option: (option["hours"], option["set_point_c"]), default=None)
    values: dict[str, Any] = {"share": share, "gentler": shortest, "runs": None, "turns": None}
    if shortest is None:
        turns = offer_turns(load, n) if load.masses_g[n] is None else None
        values["runs"] = offer_runs(draft.hours[n] or 0.0, share)._asdict()
        values["turns"] = None if turns is None else turns._asdict()
    return Statement("drying.too_much_heat", values)


def short_run_caution(plan: Plan, planned_hours: float) -> Statement | None:
    """The caution that a run is planned for fewer hours than its plan says."""
    if plan.hours is None:
        return Statement("drying.never_dry", {"target_pct": plan.target_pct})
    if planned_hours >= plan.hours:
        return None
    values = {"planned_hours": planned_hours, "target_pct": plan.target_pct, "hours": plan.hours}
    return Statement("drying.run_is_short", values)
