"""The sentences of a drying plan: its result, the reasons of its options, and its cautions."""

import math
from collections.abc import Sequence

from spools.drying import heat_budget, softening
from spools.drying.options import DRYING_PROBE_HOURS, LONGEST_USUAL_H, STRONG, DryingOption, Plan, PlanRequest
from spools.drying.search import Draft, DryerLoad, FirstStageReason


def explain_impossible(load: DryerLoad, draft: Draft) -> str:
    """The reason why a draft is impossible; at a set point that the caps allow, the dryer's error."""
    error_k = load.dryer.set_point_error_c
    if draft.set_point_c <= min(cap.start_c for cap in load.caps):
        return f"the dryer may be {error_k:g} K hotter than it shows: too soft for that while wet"
    return "too soft for it while wet"


def explain_choice(load: DryerLoad, draft: Draft) -> str:
    """The reason why this draft is recommended."""
    same_runs = [run for run in load.beside if run.set_point_c == draft.set_point_c]
    if draft.first_reason is FirstStageReason.SHARED or same_runs:
        return "what the dryer does now"
    if load.asked:
        return "the set point asked for"
    usual = load.drafts[0]
    if draft is usual:
        return "the usual set point, or the nearest that the caps less the dryer's error allow"
    if draft.total is None:
        return "the hottest that the caps less the dryer's error allow, and still not enough"
    if usual.total is None:
        return f"at {usual.set_point_c:g} °C it never suffices"
    if usual.total <= LONGEST_USUAL_H:
        return f"the usual {usual.set_point_c:g} °C would be too much heat for one run"
    return f"{usual.set_point_c:g} °C would take {usual.total:g} h, more than a day"


def explain_result(load: DryerLoad, draft: Draft, n: int) -> str:
    """The result for spool n of the load: after how many hours it is dry, or why it never is."""
    hours, target_pct = draft.hours[n], load.targets_pct[n]
    celsius, first = draft.set_point_c, draft.first
    if hours == 0:
        return f"Probably below {target_pct:.2g} % already."
    if hours is not None and first is None:
        return f"Probably below {target_pct:.2g} % after {hours:g} h at {celsius:g} °C."
    if hours is not None and first is not None:
        return (
            f"Probably below {target_pct:.2g} % after {hours:.4g} h: {first.hours:.4g} h at "
            f"{first.set_point_c:g} °C, then {hours - first.hours:.4g} h at {celsius:g} °C. "
            f"{_explain_first_stage(load, draft)}"
        )
    if not draft.possible:
        return (
            f"Not at {celsius:g} °C: water softens {_softened_polymers(load, draft)}, and {softening.PROBE_HOURS[-1]} h "
            "of a cool first stage do not surely dry it so far that it stands that. Take a lower set point."
        )
    if draft.floored[n]:
        return (
            f"Cannot be reached here: air of {load.room.temperature_c:.0f} °C and {load.room.rh_pct:.0f} % "
            f"RH, heated to {celsius:g} °C, may leave more than {target_pct:.2g} %. Use a drier room, a "
            f"desiccant dryer, or {_more_heat(load, draft, 'a dryer and a reel that may run hotter')}."
        )
    return (
        f"Cannot be reached here: {DRYING_PROBE_HOURS[-1]:g} h at {celsius:g} °C are not enough for "
        f"{target_pct:.2g} %. Dry less of it, or {_more_heat(load, draft, 'where it may run hotter')}."
    )


def _more_heat(load: DryerLoad, draft: Draft, elsewhere: str) -> str:
    """The remedy where it is too cool: this dryer, as far as the caps less its error allow, or ``elsewhere``."""
    most_c = math.floor(min(cap.start_c for cap in load.caps) - load.dryer.set_point_error_c)
    if load.asked and draft.first is None and most_c > draft.set_point_c:
        return f"run it hotter here: up to {most_c:g} °C"
    return elsewhere


def _softened_polymers(load: DryerLoad, draft: Draft) -> str:
    return " and ".join(dict.fromkeys(str(load.spools[n].feedstock.polymer) for n in load.softened(draft)))


def _explain_first_stage(load: DryerLoad, draft: Draft) -> str:
    if draft.first_reason is FirstStageReason.SOFT:
        return (
            f"Water softens {_softened_polymers(load, draft)}: only after the first stage does it probably stand "
            f"{draft.set_point_c:g} °C, with the dryer's error of {load.dryer.set_point_error_c:g} K."
        )
    if draft.first_reason is FirstStageReason.SHARED:
        return "The dryer is in its first stage."
    return "It is likely wet: an amorphous polymer starts cooler then."


def list_notes(
    load: DryerLoad,
    draft: Draft,
    n: int,
    options: Sequence[DryingOption],
    life_share: float | None,
    request: PlanRequest,
) -> list[str]:
    """Cautions beside a plan: the goal, the dryer's error, the heat budget, a rough diffusivity."""
    option = options[0]
    notes = []
    if request.goal == STRONG:
        notes.append(
            "The limit for strong parts is published for moulding, with air from a desiccant dryer. Warm "
            f"undried air leaves about {option.floor_pct:.2g} % here."
        )
    error_k = load.dryer.set_point_error_c
    most_c = load.caps[n].start_c if option.first is None else load.caps[n].cap_c
    if draft.possible and option.set_point_c + error_k > most_c:
        notes.append(
            f"The dryer may be {error_k:g} K hotter than it shows, which would be above the cap of "
            f"{most_c:g} °C: measure it, or take {math.floor(most_c - error_k):g} °C."
        )
    if option.run_share is not None and option.run_share > heat_budget.ALL:
        notes.append(_over_budget(option.run_share, options))
    elif option.run_share is not None and option.run_share >= heat_budget.HALF:
        notes.append(f"It uses {100 * option.run_share:.0f} % of the heat that one run may give a polyamide.")
    if life_share is not None and life_share >= heat_budget.HALF:
        notes.append(
            f"After it {100 * life_share:.0f} % of the heat that it may have in its life would be used."
        )
    if load.spools[n].feedstock.polymer.grade_rate == "D":
        notes.append("How fast this polymer dries is known from memory only: the hours are a rough guess.")
    return notes


def _over_budget(share: float, options: Sequence[DryingOption]) -> str:
    """The caution that a run is too much heat for a polyamide, with a gentler option where there is one."""
    caution = f"Too much heat for one run: {100 * share:.0f} % of what a polyamide may have in air. "
    gentler = [
        (other.hours, other.set_point_c, other.run_share)
        for other in options
        if other.hours is not None and other.run_share is not None and other.run_share <= heat_budget.ALL
    ]
    if gentler:
        hours, celsius, share = min(gentler)
        return f"{caution}Take {celsius:g} °C for {hours:g} h ({100 * share:.0f} %)."
    return f"{caution}Dry only what a job needs, in drier air, or in two runs with dry storage between."


def short_run_caution(plan: Plan, planned_hours: float) -> str:
    """The caution that a run is planned for fewer hours than its plan says; empty when it is not."""
    if plan.hours is None:
        return f"By the plan it does not get below {plan.target_pct:.2g} % so, however long it takes."
    if planned_hours >= plan.hours:
        return ""
    return (
        f"After the planned {planned_hours:g} h it is likely not below {plan.target_pct:.2g} %: the plan "
        f"says {plan.hours:g} h. Leave it in for longer."
    )
