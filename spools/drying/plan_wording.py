"""The words of drying plans: their results, the reasons of their options, their cautions and limits."""

import math

from spools.codes import join_codes
from spools.statements import Statement, Values, words_for
from spools.wording import format_number


@words_for("drying.too_soft_with_error")
def _too_soft_with_error(error_k: float) -> str:
    return f"the dryer may be {error_k:g} K hotter than it shows: wet filament softens at that"


@words_for("drying.too_soft")
def _too_soft() -> str:
    return "wet filament softens at that"


@words_for("drying.chosen_shared")
def _chosen_shared() -> str:
    return "the present setting of the dryer"


@words_for("drying.chosen_asked")
def _chosen_asked() -> str:
    return "the set point asked for"


@words_for("drying.chosen_usual")
def _chosen_usual() -> str:
    return "the usual set point, or the nearest that the caps less the dryer's error allow"


@words_for("drying.chosen_hottest")
def _chosen_hottest() -> str:
    return "the hottest that the caps less the dryer's error allow, and still not enough"


@words_for("drying.chosen_as_usual_never_suffices")
def _chosen_as_usual_never_suffices(usual_c: float, usual_hours: None) -> str:
    return f"at {usual_c:g} °C it never suffices"


@words_for("drying.chosen_as_usual_is_too_much_heat")
def _chosen_as_usual_is_too_much_heat(usual_c: float, usual_hours: float) -> str:
    return f"the usual {usual_c:g} °C would be too much heat for one run"


@words_for("drying.chosen_as_usual_is_slow")
def _chosen_as_usual_is_slow(usual_c: float, usual_hours: float) -> str:
    return f"{usual_c:g} °C would take {usual_hours:g} h, more than a day"


@words_for("drying.dry_already")
def _dry_already(target_pct: float) -> str:
    return f"Probably below {target_pct:.2g} % already."


@words_for("drying.dry_after")
def _dry_after(target_pct: float, set_point_c: float, hours: float) -> str:
    return f"Probably below {target_pct:.2g} % after {hours:g} h at {set_point_c:g} °C."


@words_for("drying.dry_after_stages")
def _dry_after_stages(
    target_pct: float, set_point_c: float, hours: float, first_c: float, first_hours: float, why: Values
) -> str:
    return (
        f"Probably below {target_pct:.2g} % after {hours:.4g} h: {first_hours:.4g} h at {first_c:g} °C, then "
        f"{hours - first_hours:.4g} h at {set_point_c:g} °C. {Statement.from_data(why).sentence}"
    )


@words_for("drying.never_hard_enough")
def _never_hard_enough(set_point_c: float, polymers: list[str], first_hours: float) -> str:
    return (
        f"Not at {set_point_c:g} °C: water softens {' and '.join(polymers)}, and {first_hours:g} h of a cool "
        "first stage may not dry it enough to bear that. Take a lower set point."
    )


@words_for("drying.too_humid")
def _too_humid(
    target_pct: float, set_point_c: float, hotter_here_c: float | None, temperature_c: float, rh_pct: float
) -> str:
    more = _more_heat(hotter_here_c, "a dryer and a reel that may run hotter")
    return (
        f"Cannot be reached here: air of {temperature_c:.0f} °C and {rh_pct:.0f} % RH, heated to "
        f"{set_point_c:g} °C, may leave more than {target_pct:.2g} %. Use a drier room, a desiccant dryer, or "
        f"{more}."
    )


@words_for("drying.too_slow")
def _too_slow(target_pct: float, set_point_c: float, hotter_here_c: float | None, hours: float) -> str:
    return (
        f"Cannot be reached here: {hours:g} h at {set_point_c:g} °C are not enough for {target_pct:.2g} %. Dry "
        f"less of it, or {_more_heat(hotter_here_c, 'use a dryer that may run hotter')}."
    )


def _more_heat(hotter_here_c: float | None, elsewhere: str) -> str:
    return elsewhere if hotter_here_c is None else f"run it hotter here: up to {hotter_here_c:g} °C"


@words_for("drying.first_while_soft")
def _first_while_soft(set_point_c: float, error_k: float, polymers: list[str]) -> str:
    return (
        f"Water softens {' and '.join(polymers)}: it probably bears {set_point_c:g} °C, with the dryer's error of "
        f"{error_k:g} K, only after the first stage."
    )


@words_for("drying.first_shared")
def _first_shared() -> str:
    return "The dryer is in its first stage."


@words_for("drying.first_while_wet")
def _first_while_wet() -> str:
    return "It is likely wet, and a wet amorphous polymer starts cooler."


@words_for("drying.strong_limit")
def _strong_limit(floor_pct: float) -> str:
    return (
        "The limit for strong parts is published for moulding, with air from a desiccant dryer. Warm undried "
        f"air leaves about {floor_pct:.2g} % here."
    )


@words_for("drying.error_above_cap")
def _error_above_cap(error_k: float, limit_c: float) -> str:
    return (
        f"The dryer may be {error_k:g} K hotter than it shows, which would be above the cap of {limit_c:g} °C: "
        f"measure it, or take {math.floor(limit_c - error_k):g} °C."
    )


@words_for("drying.run_heat")
def _run_heat(share: float) -> str:
    return f"It uses {100 * share:.0f} % of the heat that a polyamide may get in one run."


@words_for("drying.life_heat")
def _life_heat(share: float) -> str:
    return f"After it, {100 * share:.0f} % of the heat that the spool may get in its life is used."


@words_for("drying.rate_from_memory")
def _rate_from_memory() -> str:
    return "The drying rate of this polymer is known from memory only: the hours are a rough guess."


@words_for("drying.too_much_heat")
def _too_much_heat(share: float, gentler: Values | None) -> str:
    caution = f"Too much heat for one run: {100 * share:.0f} % of what a polyamide bears in air."
    if gentler is None:
        return f"{caution} Dry only what a job needs, in drier air, or in two runs with dry storage between."
    return (
        f"{caution} Take {gentler['set_point_c']:g} °C for {gentler['hours']:g} h "
        f"({100 * gentler['share']:.0f} %)."
    )


@words_for("drying.planned_heat")
def _planned_heat(share: float, set_point_c: float, hours: float) -> str:
    return (
        f"Too much heat for one run: {100 * share:.0f} % of what a polyamide bears in air before it turns "
        f"yellow and brittle. At {set_point_c:g} °C take it out after {hours:g} h in all, or dry it cooler."
    )


@words_for("drying.never_dry")
def _never_dry(target_pct: float) -> str:
    return f"By the plan it never gets below {target_pct:.2g} % at these settings, however long it stays in."


@words_for("drying.run_is_short")
def _run_is_short(planned_hours: float, target_pct: float, hours: float) -> str:
    return (
        f"After the planned {planned_hours:g} h it is likely not below {target_pct:.2g} %: the plan "
        f"takes {hours:g} h. Leave it in for longer."
    )


@words_for("drying.limited_by_room")
def _limited_by_room(
    temperature_c: float, rh_pct: float, set_point_c: float, floor_pct: float, target_pct: float
) -> str:
    return (
        f"The room's air ({temperature_c:.0f} °C, {rh_pct:.0f} % RH), heated to {set_point_c:g} °C, leaves about "
        f"{format_number(floor_pct)} %; the goal is {format_number(target_pct)} %."
    )


@words_for("drying.limited_by_sharing")
def _limited_by_sharing(spools: list[str], set_point_c: float) -> str:
    return f"It shares the dryer at {set_point_c:g} °C with {join_codes(spools)}."


@words_for("drying.limited_by_heat")
def _limited_by_heat(share: float, set_point_c: float) -> str:
    return (
        f"At {set_point_c:g} °C it uses {100 * share:.0f} % of the heat that a polyamide may get in one run."
    )


@words_for("drying.limited_by_usual")
def _limited_by_usual(polymer: str, set_point_c: float) -> str:
    return f"{set_point_c:g} °C is usual for {polymer}."


@words_for(
    "drying.limited_by_polymer",
    "drying.limited_by_reel",
    "drying.limited_by_dryer",
    "drying.limited_by_neighbour",
)
def _limited_by_cap(limit_c: float, error_k: float, part: Values) -> str:
    allowance = f", less the dryer's error of {error_k:g} K" if error_k else ""
    return f"{limit_c:g} °C is the most for {Statement.from_data(part).sentence}{allowance}."
