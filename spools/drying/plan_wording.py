"""The words of drying plans: their results, the reasons of their options, their cautions and limits."""

from typing import Any

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext, pgettext_lazy

from spools.models import Spool
from spools.sentences import register_sentences
from spools.statements import Statement, Values, words_for
from spools.wording import (
    format_duration,
    format_exact,
    format_list,
    format_number,
    format_percent,
    format_significant,
    format_stages,
    format_temperature,
    format_temperature_difference,
)

SENTENCES = {
    "drying.too_soft_with_error": gettext_lazy(
        "the dryer may be {error_k!k} hotter than it shows: wet filament softens at that"
    ),
    "drying.too_soft": gettext_lazy("wet filament softens at that"),
    "drying.chosen_shared": gettext_lazy("the present setting of the dryer"),
    "drying.chosen_asked": gettext_lazy("the set point asked for"),
    "drying.chosen_usual": gettext_lazy(
        "the usual set point, or the nearest that the caps less the dryer's error allow"
    ),
    "drying.chosen_hottest": gettext_lazy(
        "the hottest that the caps less the dryer's error allow, and still not enough"
    ),
    "drying.chosen_as_usual_never_suffices": gettext_lazy("at {usual_c!o} it never suffices"),
    "drying.chosen_quickest": gettext_lazy("the quickest: hotter once it has lost water"),
    "drying.chosen_least_heat": gettext_lazy(
        "every option is too much heat for one run; this one, at {share!p}, is the least"
    ),
    "drying.chosen_as_usual_is_too_much_heat": gettext_lazy(
        "{usual_hours!h} at the usual {usual_c!o} would be {share!p} of the heat that a polyamide may get in one run"
    ),
    "drying.chosen_as_usual_is_slow": gettext_lazy("{usual_c!o} would take {usual_hours!h}, more than a day"),
    "drying.dry_already": gettext_lazy("Probably below {target_pct:.2g} % already."),
    "drying.first_shared": gettext_lazy("The dryer is in its first stage."),
    "drying.first_for_heat": gettext_lazy(
        "All of it at {set_point_c!o} would be too much heat for one run; the last water needs the hotter air most."
    ),
    "drying.first_while_wet": gettext_lazy("It is likely wet, and a wet amorphous polymer starts cooler."),
    "drying.rate_from_memory": gettext_lazy(
        "The drying rate of this polymer is known from memory only: the hours are a rough guess."
    ),
    "drying.never_dry": gettext_lazy(
        "By the plan it never gets below {target_pct:.2g} % at these settings, however long it stays in."
    ),
    "drying.run_is_short": gettext_lazy(
        "After the planned {planned_hours!h} it is likely not below {target_pct:.2g} %: the plan takes "
        "{hours!h}. Leave it in for longer."
    ),
    "drying.limited_by_sharing": gettext_lazy("It shares the dryer at {set_point_c!o} with {spools!c}."),
    "drying.only_turns": gettext_lazy(
        "For a small job its outer {mass_g!m} are enough: they are probably dry after about {hours!h} at "
        "{set_point_c!o}."
    ),
    "drying.inside_stays_damp": gettext_lazy(
        "Only its outer {mass_g!m} get dry, and the damp inside wets them again: print them within the time that "
        "they last, or feed it from a dry box."
    ),
    "drying.outside_is_dry": gettext_lazy(
        "Its outer {mass_g!m} are probably dry enough now: print them soon, or feed it from a dry box."
    ),
    "drying.limited_by_request": gettext_lazy(
        "The set point asked for is {set_point_c!o}; hotter is possible."
    ),
    "drying.error_above_cap": gettext_lazy(
        "The dryer may be {error_k!k} hotter than it shows, which would be above the cap of {limit_c!o}: measure "
        "it, or take {hottest_c!o}."
    ),
    "drying.limited_by_usual": gettext_lazy("{set_point_c!o} is usual for {polymer}."),
    "drying.strong_limit": gettext_lazy(
        "The limit for strong parts is published for moulding, with air from a desiccant dryer. Warm undried air "
        "leaves about {floor_pct:.2g} % here."
    ),
    "drying.much_heat_used": gettext_lazy(
        "{share!p} of the heat that a polyamide may get in its life is used: dry it cooler, and store it dry."
    ),
    "drying.all_heat_used": gettext_lazy(
        "{share!p} of the heat that a polyamide may get in its life is used: it may have turned yellow and "
        "brittle. Bend a piece and print a test part, or use it up for parts that bear no load."
    ),
    "drying.run_heat": gettext_lazy("It uses {share!p} of the heat that a polyamide may get in one run."),
    "drying.life_heat": gettext_lazy(
        "After it, {share!p} of the heat that the spool may get in its life is used."
    ),
    "drying.planned_heat": gettext_lazy(
        "Too much heat for one run: {share!p} of what a polyamide bears in air before it turns yellow and "
        "brittle. At {set_point_c!o} take it out after {hours!h} in all, or dry it cooler."
    ),
    "drying.limited_by_heat": gettext_lazy(
        "At {set_point_c!o} it uses {share!p} of the heat that a polyamide may get in one run."
    ),
    "drying.heavier_after": gettext_lazy(
        "Heavier after drying than before: that cannot be. One of the two weighings is wrong: take it back in "
        "the spool's history."
    ),
    "drying.impossible_loss": gettext_lazy(
        "That cannot be right: {polymer} holds at most {most_pct:.2g} % of water. One of the two weighings is "
        "wrong: take it back in the spool's history."
    ),
    "drying.reel_dries_too": gettext_lazy(
        "A cardboard reel dries too: up to {water_g!m} of the loss may be its own water."
    ),
}
register_sentences(SENTENCES)


def ask_for_reel(material: str, set_point_c: float, hours: float, **rest: Any) -> str:
    """The question for a reel of unknown material, with the drying that a stated one allows."""
    return _("State the reel: one of {material} allows {temperature} and {hours}.").format(
        material=Spool.CoreMaterial(material).label,
        temperature=format_temperature(set_point_c),
        hours=format_duration(hours),
    )


# The limits that a person may want to know of, by the end of their codes: the usual set point and the one asked for
# are none.
LIMITERS = {
    "polymer": pgettext_lazy("limited by", "the polymer"),
    "reel": pgettext_lazy("limited by", "the reel"),
    "unknown_reel": pgettext_lazy("limited by", "the reel"),
    "dryer": pgettext_lazy("limited by", "the dryer"),
    "neighbour": pgettext_lazy("limited by", "a neighbour"),
    "sharing": pgettext_lazy("limited by", "its neighbours"),
    "room": pgettext_lazy("limited by", "the room"),
    "heat": pgettext_lazy("limited by", "the heat budget"),
}


def name_limit(limited_by: Values) -> str:
    """One line about the limit of a drying: its kind, and the sentence; empty where nothing limits it."""
    limiter = LIMITERS.get(limited_by["code"].removeprefix("drying.limited_by_"))
    if limiter is None:
        return ""
    sentence = _("Limited by {limiter}.").format(limiter=limiter)
    return f"{sentence} {Statement.from_data(limited_by).sentence}"


@words_for("drying.limited_by_room")
def _limited_by_room(
    temperature_c: float, rh_pct: float, set_point_c: float, floor_pct: float, target_pct: float
) -> str:
    return _(
        "The room's air ({temperature}, {humidity} RH), heated to {set_point}, leaves about {floor} %; the goal is "
        "{target} %."
    ).format(
        temperature=format_temperature(temperature_c, 0),
        humidity=format_percent(rh_pct),
        set_point=format_temperature(set_point_c),
        floor=format_number(floor_pct),
        target=format_number(target_pct),
    )


@words_for("drying.limited_by_unknown_reel")
def _limited_by_unknown_reel(limit: Values, **stated: Any) -> str:
    return f"{ask_for_reel(**stated)} {Statement.from_data(limit).sentence}"


# Hours that differ by more than this share are a range. Common practice, no source.
RANGE_FROM = 0.1


def format_hours(hours: float, likely_h: float | None) -> str:
    """Hours of a drying: as a range from those that do with even chances, where these are fewer by a tenth."""
    if likely_h is None or likely_h >= (1 - RANGE_FROM) * hours:
        return _("about {hours} h").format(hours=format_significant(hours, 4))
    return f"{format_significant(likely_h, 4)}–{format_significant(hours, 4)} h"


@words_for("drying.dry_after")
def _dry_after(target_pct: float, set_point_c: float, hours: float, likely_h: float | None = None) -> str:
    return _("Probably below {target} % after {hours} at {temperature}.").format(
        target=format_significant(target_pct, 2),
        hours=format_hours(hours, likely_h),
        temperature=format_temperature(set_point_c),
    )


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
    sentence = _("Probably below {target} % after {hours}: {stages}.").format(
        target=format_significant(target_pct, 2),
        hours=format_hours(hours, likely_h),
        stages=format_stages([(first_c, first_hours), (set_point_c, hours - first_hours)]),
    )
    return f"{sentence} {Statement.from_data(why).sentence}"


@words_for("drying.never_hard_enough")
def _never_hard_enough(set_point_c: float, polymers: list[str], first_hours: float) -> str:
    return _(
        "Not at {temperature}: water softens {polymers}, and {hours} of a cool first stage may not dry it enough to "
        "bear that. Take a lower set point."
    ).format(
        temperature=format_temperature(set_point_c),
        polymers=format_list(polymers),
        hours=format_duration(first_hours),
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
    sentence = _(
        "Cannot be reached here: air of {temperature} and {humidity} RH, heated to {set_point}, may leave more than "
        "{target} %."
    ).format(
        temperature=format_temperature(temperature_c, 0),
        humidity=format_percent(rh_pct),
        set_point=format_temperature(set_point_c),
        target=format_significant(target_pct, 2),
    )
    return _with_remedies(
        sentence, [_("use a drier room"), _("use a desiccant dryer"), *_more_heat(hotter_here_c, hotter)]
    )


@words_for("drying.too_slow")
def _too_slow(
    target_pct: float, set_point_c: float, hotter_here_c: float | None, hotter: list[str], hours: float
) -> str:
    sentence = _("Cannot be reached here: {hours} at {temperature} are not enough for {target} %.").format(
        hours=format_duration(hours),
        temperature=format_temperature(set_point_c),
        target=format_significant(target_pct, 2),
    )
    return _with_remedies(sentence, [_("dry less of it"), *_more_heat(hotter_here_c, hotter)])


# By the codes of spools/drying/limiting.py.
HOTTER = {
    "dryer": gettext_lazy("use a dryer that may run hotter"),
    "reel": gettext_lazy("rewind it onto a reel that stands more heat"),
    "reel_unknown": gettext_lazy(
        "state what its reel is made of: until then it counts as one of the weakest"
    ),
}


def _more_heat(hotter_here_c: float | None, hotter: list[str]) -> list[str]:
    if hotter_here_c is not None:
        return [
            _("run it hotter here: up to {temperature}").format(temperature=format_temperature(hotter_here_c))
        ]
    return [str(HOTTER[name]) for name in hotter]


def _with_remedies(sentence: str, remedies: list[str]) -> str:
    *others, last = remedies
    listed = _("{others}, or {last}").format(others=", ".join(others), last=last) if others else last
    return f"{sentence} {listed[0].upper()}{listed[1:]}."


@words_for("drying.first_while_soft")
def _first_while_soft(set_point_c: float, error_k: float, polymers: list[str]) -> str:
    return _(
        "Water softens {polymers}: it probably bears {temperature}, with the dryer's error of {error}, only "
        "after the "
        "first stage."
    ).format(
        polymers=format_list(polymers),
        temperature=format_temperature(set_point_c),
        error=format_temperature_difference(error_k),
    )


@words_for("drying.too_much_heat")
def _too_much_heat(share: float, gentler: Values | None, runs: Values | None, turns: Values | None) -> str:
    caution = _("Too much heat for one run: {share} of what a polyamide bears in air.").format(
        share=format_percent(100 * share)
    )
    if gentler is not None:
        sentence = _("Take {temperature} for {hours} ({share}).").format(
            temperature=format_temperature(gentler["set_point_c"]),
            hours=format_duration(gentler["hours"]),
            share=format_percent(100 * gentler["share"]),
        )
        return f"{caution} {sentence}"
    ways_out = [caution]
    if runs is not None:
        ways_out.append(
            _("Make it {number} runs of about {hours}, with dry storage between them.").format(
                number=runs["number"], hours=format_duration(runs["hours"])
            )
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
    sentence = (
        _("{limit} is the most for {part}, less the dryer's error of {error}.")
        if error_k
        else _("{limit} is the most for {part}.")
    )
    return sentence.format(
        limit=format_temperature(limit_c),
        part=Statement.from_data(part).sentence,
        error=format_temperature_difference(error_k),
    )


@words_for("drying.air_exchange")
def _air_exchange(
    l_min: float, spools: int, dew_point_c: float | None, hours: float | None, free_hours: float | None
) -> str:
    if dew_point_c is None:
        first = ngettext(
            "The dryer exchanges about {flow} l of air a minute, so the water that dries off stays in its air.",
            "The dryer exchanges about {flow} l of air a minute for {spools} spools, each counted as if it were "
            "like this "
            "one, so the water that dries off stays in its air.",
            spools,
        ).format(flow=format_exact(l_min), spools=spools)
    else:
        first = _("Desiccant keeps the dryer's air at a dew point of about {temperature}.").format(
            temperature=format_temperature(dew_point_c)
        )
    return f"{first} {_compare(hours, free_hours)}"


def _compare(hours: float | None, free_hours: float | None) -> str:
    if free_hours is None:
        if hours is None:
            return _("With room air, vented freely, it would not be dry either.")
        return _("With room air, vented freely, it would never be dry.")
    if hours is None:
        sentence = _("With room air, vented freely, it would be dry after {free_hours}.")
        return sentence.format(free_hours=format_duration(free_hours))
    if hours == free_hours:
        return _("With room air, vented freely, it would take as long.")
    sentence = _("With room air, vented freely, it would take {free_hours} instead of {hours}.")
    return sentence.format(free_hours=format_duration(free_hours), hours=format_duration(hours))
