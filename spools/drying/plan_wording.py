"""The words of drying plans: their results, the reasons of their options, their cautions and limits."""

from typing import Any

from spools.models import Spool
from spools.sentences import register_sentences
from spools.statements import Statement, Values, words_for
from spools.wording import format_duration

SENTENCES = {
    "drying.too_soft_with_error": "the dryer may be {error_k:g} K hotter than it shows: wet filament softens at that",
    "drying.too_soft": "wet filament softens at that",
    "drying.chosen_shared": "the present setting of the dryer",
    "drying.chosen_asked": "the set point asked for",
    "drying.chosen_usual": "the usual set point, or the nearest that the caps less the dryer's error allow",
    "drying.chosen_hottest": "the hottest that the caps less the dryer's error allow, and still not enough",
    "drying.chosen_as_usual_never_suffices": "at {usual_c:g} °C it never suffices",
    "drying.chosen_quickest": "the quickest: hotter once it has lost water",
    "drying.chosen_least_heat": "every option is too much heat for one run; this one, at {share!p}, is the least",
    "drying.chosen_as_usual_is_too_much_heat": "{usual_hours:g} h at the usual {usual_c:g} °C would be {share!p} of the "
    "heat that a polyamide may get in one run",
    "drying.chosen_as_usual_is_slow": "{usual_c:g} °C would take {usual_hours:g} h, more than a day",
    "drying.dry_already": "Probably below {target_pct:.2g} % already.",
    "drying.first_shared": "The dryer is in its first stage.",
    "drying.first_for_heat": "All of it at {set_point_c:g} °C would be too much heat for one run; the last water needs the "
    "hotter air most.",
    "drying.first_while_wet": "It is likely wet, and a wet amorphous polymer starts cooler.",
    "drying.rate_from_memory": "The drying rate of this polymer is known from memory only: the hours are a rough "
    "guess.",
    "drying.never_dry": "By the plan it never gets below {target_pct:.2g} % at these settings, however long it stays "
    "in.",
    "drying.run_is_short": "After the planned {planned_hours:g} h it is likely not below {target_pct:.2g} %: the "
    "plan takes {hours:g} h. Leave it in for longer.",
    "drying.limited_by_room": "The room's air ({temperature_c:.0f} °C, {rh_pct:.0f} % RH), heated to {set_point_c:g} "
    "°C, leaves about {floor_pct!n} %; the goal is {target_pct!n} %.",
    "drying.limited_by_sharing": "It shares the dryer at {set_point_c:g} °C with {spools!c}.",
    "drying.only_turns": "For a small job its outer {mass_g:g} g are enough: they are probably dry after about {hours:g} h "
    "at {set_point_c:g} °C.",
    "drying.inside_stays_damp": "Only its outer {mass_g:g} g get dry, and the damp inside wets them again: print them within "
    "the time that they last, or feed it from a dry box.",
    "drying.outside_is_dry": "Its outer {mass_g:g} g are probably dry enough now: print them soon, or feed it from a dry box.",
    "drying.limited_by_request": "The set point asked for is {set_point_c:g} °C; hotter is possible.",
    "drying.error_above_cap": "The dryer may be {error_k:g} K hotter than it shows, which would be above the cap of "
    "{limit_c:g} °C: measure it, or take {hottest_c:g} °C.",
    "drying.limited_by_usual": "{set_point_c:g} °C is usual for {polymer}.",
    "drying.strong_limit": "The limit for strong parts is published for moulding, with air from a desiccant dryer. "
    "Warm undried air leaves about {floor_pct:.2g} % here.",
    "drying.much_heat_used": "{share!p} of the heat that a polyamide may get in its life is used: dry it cooler, and "
    "store it dry.",
    "drying.all_heat_used": "{share!p} of the heat that a polyamide may get in its life is used: it may have turned "
    "yellow and brittle. Bend a piece and print a test part, or use it up for parts that bear no load.",
    "drying.run_heat": "It uses {share!p} of the heat that a polyamide may get in one run.",
    "drying.life_heat": "After it, {share!p} of the heat that the spool may get in its life is used.",
    "drying.planned_heat": "Too much heat for one run: {share!p} of what a polyamide bears in air before it turns "
    "yellow and brittle. At {set_point_c:g} °C take it out after {hours:g} h in all, or dry it cooler.",
    "drying.limited_by_heat": "At {set_point_c:g} °C it uses {share!p} of the heat that a polyamide may get in one "
    "run.",
    "drying.heavier_after": "Heavier after drying than before: that cannot be. One of the two weighings is wrong: "
    "take it back in the spool's history.",
    "drying.impossible_loss": "That cannot be right: {polymer} holds at most {most_pct:.2g} % of water. One of the "
    "two weighings is wrong: take it back in the spool's history.",
    "drying.reel_dries_too": "A cardboard reel dries too: up to {water_g:.0f} g of the loss may be its own water.",
}
register_sentences(SENTENCES)


def ask_for_reel(material: str, set_point_c: float, hours: float, **_: Any) -> str:
    """The question for a reel of unknown material, with the drying that a stated one allows."""
    label = Spool.CoreMaterial(material).label
    return f"State the reel: one of {label} allows {set_point_c:g} °C and {format_duration(hours)}."


# The limits that a person may want to know of, by the end of their codes: the usual set point and the one asked for
# are none.
LIMITERS = {
    "polymer": "the polymer",
    "reel": "the reel",
    "unknown_reel": "the reel",
    "dryer": "the dryer",
    "neighbour": "a neighbour",
    "sharing": "its neighbours",
    "room": "the room",
    "heat": "the heat budget",
}


def name_limit(limited_by: Values) -> str:
    """One line about the limit of a drying: its kind, and the sentence; empty where nothing limits it."""
    limiter = LIMITERS.get(limited_by["code"].removeprefix("drying.limited_by_"))
    return "" if limiter is None else f"Limited by {limiter}. {Statement.from_data(limited_by).sentence}"


@words_for("drying.limited_by_unknown_reel")
def _limited_by_unknown_reel(limit: Values, **stated: Any) -> str:
    return f"{ask_for_reel(**stated)} {Statement.from_data(limit).sentence}"


# Hours that differ by more than this share are a range. Common practice, no source.
RANGE_FROM = 0.1


def format_hours(hours: float, likely_h: float | None) -> str:
    """Hours of a drying: as a range from those that do with even chances, where these are fewer by a tenth."""
    if likely_h is None or likely_h >= (1 - RANGE_FROM) * hours:
        return f"about {hours:.4g} h"
    return f"{likely_h:.4g}–{hours:.4g} h"


@words_for("drying.dry_after")
def _dry_after(target_pct: float, set_point_c: float, hours: float, likely_h: float | None = None) -> str:
    return f"Probably below {target_pct:.2g} % after {format_hours(hours, likely_h)} at {set_point_c:g} °C."


@words_for("drying.dry_after_stages")
def _dry_after_stages(
    target_pct: float,
    set_point_c: float,
    hours: float,
    first_c: float,
    first_hours: float,
    why: Values,
    likely_h: float | None = None,
) -> str:
    return (
        f"Probably below {target_pct:.2g} % after {format_hours(hours, likely_h)}: {first_hours:.4g} h at {first_c:g} °C, then "
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
    target_pct: float,
    set_point_c: float,
    hotter_here_c: float | None,
    hotter: list[str],
    temperature_c: float,
    rh_pct: float,
) -> str:
    return (
        f"Cannot be reached here: air of {temperature_c:.0f} °C and {rh_pct:.0f} % RH, heated to "
        f"{set_point_c:g} °C, may leave more than {target_pct:.2g} %. "
        + _join_remedies(["use a drier room", "use a desiccant dryer", *_more_heat(hotter_here_c, hotter)])
    )


@words_for("drying.too_slow")
def _too_slow(
    target_pct: float, set_point_c: float, hotter_here_c: float | None, hotter: list[str], hours: float
) -> str:
    return (
        f"Cannot be reached here: {hours:g} h at {set_point_c:g} °C are not enough for {target_pct:.2g} %. "
        + _join_remedies(["dry less of it", *_more_heat(hotter_here_c, hotter)])
    )


# By the codes of spools/drying/limiting.py.
HOTTER = {
    "dryer": "use a dryer that may run hotter",
    "reel": "rewind it onto a reel that stands more heat",
    "reel_unknown": "state what its reel is made of: until then it counts as one of the weakest",
}


def _more_heat(hotter_here_c: float | None, hotter: list[str]) -> list[str]:
    if hotter_here_c is not None:
        return [f"run it hotter here: up to {hotter_here_c:g} °C"]
    return [HOTTER[name] for name in hotter]


def _join_remedies(remedies: list[str]) -> str:
    *others, last = remedies
    sentence = f"{', '.join(others)}, or {last}" if others else last
    return f"{sentence[0].upper()}{sentence[1:]}."


@words_for("drying.first_while_soft")
def _first_while_soft(set_point_c: float, error_k: float, polymers: list[str]) -> str:
    return (
        f"Water softens {' and '.join(polymers)}: it probably bears {set_point_c:g} °C, with the dryer's error of "
        f"{error_k:g} K, only after the first stage."
    )


@words_for("drying.too_much_heat")
def _too_much_heat(share: float, gentler: Values | None, runs: Values | None, turns: Values | None) -> str:
    caution = f"Too much heat for one run: {100 * share:.0f} % of what a polyamide bears in air."
    if gentler is not None:
        return (
            f"{caution} Take {gentler['set_point_c']:g} °C for {gentler['hours']:g} h "
            f"({100 * gentler['share']:.0f} %)."
        )
    ways_out = [caution]
    if runs is not None:
        ways_out.append(
            f"Make it {runs['number']} runs of about {runs['hours']:g} h, with dry storage between them."
        )
    if turns is not None:
        ways_out.append(Statement("drying.only_turns", turns).sentence)
    return " ".join(ways_out)


@words_for(
    "drying.limited_by_polymer",
    "drying.limited_by_reel",
    "drying.limited_by_dryer",
    "drying.limited_by_neighbour",
)
def _limited_by_cap(limit_c: float, error_k: float, part: Values) -> str:
    allowance = f", less the dryer's error of {error_k:g} K" if error_k else ""
    return f"{limit_c:g} °C is the most for {Statement.from_data(part).sentence}{allowance}."


@words_for("drying.air_exchange")
def _air_exchange(
    l_min: float, spools: int, dew_point_c: float | None, hours: float | None, free_hours: float | None
) -> str:
    if dew_point_c is None:
        shared = "" if spools == 1 else f" for {spools} spools, each counted as if it were like this one"
        first = f"The dryer exchanges about {l_min:g} l of air a minute{shared}, so the water that dries off stays in its air"
    else:
        first = f"Desiccant keeps the dryer's air at a dew point of about {dew_point_c:g} °C"
    return f"{first}. {_compare(hours, free_hours)}"


def _compare(hours: float | None, free_hours: float | None) -> str:
    free = "With room air, vented freely,"
    if free_hours is None:
        return (
            f"{free} it would never be dry." if hours is not None else f"{free} it would not be dry either."
        )
    if hours is None:
        return f"{free} it would be dry after {format_duration(free_hours)}."
    if hours == free_hours:
        return f"{free} it would take as long."
    return f"{free} it would take {format_duration(free_hours)} instead of {format_duration(hours)}."
