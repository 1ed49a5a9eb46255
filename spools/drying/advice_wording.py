"""The words of advice: where, when and how hot a spool is dried, and how long it prints well afterwards."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any

from django.utils.translation import gettext as _

from spools.codes import join_codes
from spools.drying.plan_wording import ask_for_reel, name_limit
from spools.statements import Statement, Values, words_for
from spools.wording import format_duration, format_mass, format_number, format_stages, format_time


@words_for("advice.pending")
def _pending() -> str:
    return _("The drying advice is being computed; load the page again in a minute.")


@words_for("advice.none_needed")
def _none_needed(target_pct: float, **rest: Any) -> str:
    return _("It prints well: its moisture is probably below {target} %.").format(
        target=format_number(target_pct)
    )


@words_for("advice.no_dryer")
def _no_dryer(**rest: Any) -> str:
    return _("Dry it. No dryer is recorded yet: add one to see a plan.")


def _reel(limited_by: Values | None) -> str:
    """The question for the reel, where it decides."""
    asked = limited_by is not None and limited_by["code"] == "drying.limited_by_unknown_reel"
    return ask_for_reel(**limited_by["values"]) if limited_by and asked else ""


# A drying that takes longer names its limit. Common practice, no source.
LONG_H = 12.0


def _name_limit(drying: Values, limited_by: Values | None) -> str:
    """The limit of a long drying; empty where an unknown reel is asked for already."""
    if limited_by is None or _reel(limited_by) or (drying["hours"] or 0.0) <= LONG_H:
        return ""
    return name_limit(limited_by)


# The cautions that belong into the sentence of an advice: only a part of the spool is dry, or gets dry.
OF_TURNS = ("drying.inside_stays_damp", "drying.outside_is_dry")


# Turns that print well for less than this need a print that is ready to start.
SOON_H = 4.0


def _start_soon(well_h: float | None) -> str:
    """By when the print of dried turns has to start; empty where there is time."""
    if well_h is None or well_h >= SOON_H:
        return ""
    minutes = 5 * int(12 * well_h)
    if not minutes:
        return _("Start the print as it comes out of the dryer.")
    return _("Start the print within {time} of taking it out.").format(time=format_duration(minutes / 60))


def _about_turns(drying: Values, cautions: Sequence[Values], well_h: float | None = None) -> list[str]:
    """The reason why only the outermost grams are dried, by when they are printed, and the cautions about them."""
    why = [_("All of it would take more than two days, or never get dry.")] if drying.get("mass_g") else []
    shown = [Statement.from_data(caution).sentence for caution in cautions if caution["code"] in OF_TURNS]
    return [*why, *shown, _start_soon(well_h)] if drying.get("mass_g") else [*why, *shown]


@words_for("advice.dry")
def _dry(
    drying: Values,
    well_h: float | None,
    printable_h: float | None,
    place: str,
    limited_by: Values | None = None,
    cautions: Sequence[Values] = (),
    **rest: Any,
) -> str:
    sentence = (
        _("Dry it in {dryer}, {stages}, ready {at}.")
        if drying.get("mass_g") is None
        else _("Dry its outer {mass} in {dryer}, {stages}, ready {at}.")
    )
    return _join(
        _reel(limited_by),
        sentence.format(**_name_drying(drying), at=format_iso(drying["ready_at"])),
        *_waiting(drying),
        _name_limit(drying, limited_by),
        format_both_times(well_h, printable_h, _name_afterwards(place)),
        *_about_turns(drying, cautions, well_h),
    )


@words_for("advice.planned")
def _planned(drying: Values, well_h: float | None, printable_h: float | None, place: str, **rest: Any) -> str:
    sentence = (
        _("Planned: dry it in {dryer} from {since}, {stages}, ready {at}.")
        if drying.get("mass_g") is None
        else _("Planned: dry its outer {mass} in {dryer} from {since}, {stages}, ready {at}.")
    )
    times = {"since": format_iso(drying["starts_at"]), "at": format_iso(drying["ready_at"])}
    return _join(
        sentence.format(**_name_drying(drying), **times),
        *_waiting(drying),
        format_both_times(well_h, printable_h, _name_afterwards(place)),
    )


@words_for("advice.heat_used")
def _heat_used(drying: Values, cautions: Sequence[Values], **rest: Any) -> str:
    sentence = (
        _("Dry only what a job needs; the whole spool takes {stages} in {dryer}.")
        if drying.get("mass_g") is None
        else _("Dry only what a job needs; its outer {mass} takes {stages} in {dryer}.")
    )
    return _join(
        _("Store it dry: its heat budget is used up."),
        *(Statement.from_data(caution).sentence for caution in cautions),
        sentence.format(**_name_drying(drying)),
    )


@words_for("advice.unreachable")
def _unreachable(
    cautions: Sequence[Values], drying: Values, limited_by: Values | None = None, **rest: Any
) -> str:
    reasons = " ".join(Statement.from_data(caution).sentence for caution in cautions)
    none = _("No dryer gets it dry enough. In {dryer}: {reasons}").format(
        dryer=drying["dryer"], reasons=reasons
    )
    return _join(_reel(limited_by), none)


@words_for("advice.in_run")
def _in_run(drying: Values, cautions: Sequence[Values], **rest: Any) -> str:
    over_at = datetime.fromisoformat(drying["starts_at"]) + timedelta(hours=drying["hours"])
    sentence = (
        _("It dries in {dryer} since {since}, {stages}, planned until {until}.")
        if drying.get("mass_g") is None
        else _("Its outer {mass} dry in {dryer} since {since}, {stages}, planned until {until}.")
    )
    times = {"since": format_iso(drying["starts_at"]), "until": format_time(over_at)}
    return _join(
        sentence.format(**_name_drying(drying), **times),
        _("It is ready {at}.").format(at=format_iso(drying["ready_at"])) if drying["ready_at"] else "",
        *(Statement.from_data(caution).sentence for caution in cautions),
    )


@words_for("drying.stays_good")
def _stays_good(place: str, well_h: float | None, printable_h: float | None) -> str:
    return format_both_times(well_h, printable_h, _("In {places}").format(places=place))


@words_for("drying.waits_for")
def _waits_for(spools: Sequence[str], until: str) -> str:
    sentence = _("The dryer is occupied until {until}, by {spools}.")
    return sentence.format(until=format_iso(until), spools=join_codes(spools))


@words_for("drying.take_out_first")
def _take_out_first(spools: Sequence[str]) -> str:
    return _("Take {spools} out first.").format(spools=join_codes(spools))


@words_for("drying.planned_too_hot")
def _planned_too_hot(reason: Values) -> str:
    sentence = _("The plan has become too hot: {reason}. Plan again.")
    return sentence.format(reason=Statement.from_data(reason).sentence)


@words_for("drying.heat_is_used_up")
def _heat_is_used_up(since: str) -> str:
    return _(
        "Take it out now: by {since} it had received all the heat that a polyamide may get in one run. More turns it "
        "yellow and brittle."
    ).format(since=format_iso(since))


@words_for("drying.take_out_by")
def _take_out_by(by: str) -> str:
    return _(
        "Take it out by {by}: by then it has received all the heat that a polyamide may get in one run. Dry it cooler, "
        "or again after a stay in dry storage."
    ).format(by=format_iso(by))


@words_for("drying.leave_in_until")
def _leave_in_until(until: str) -> str:
    sentence = _("All of it is likely dry enough only from {until}: leave it in until then.")
    return sentence.format(until=format_iso(until))


def format_iso(at: str) -> str:
    """An ISO 8601 time as on the pages."""
    return format_time(datetime.fromisoformat(at))


def format_both_times(well_h: float | None, printable_h: float | None, where: str) -> str:
    """Both times: how long a spool prints well, and how long it stays printable."""
    if printable_h is not None and printable_h <= 0:
        return _("{where} it may already be over its print limit.").format(where=where)
    times = {"where": where, "printable": format_hours_ahead(printable_h), "well": format_hours_ahead(well_h)}
    if well_h is not None and well_h <= 0:
        return _("{where} it may no longer print well, but stays printable for {printable}.").format(**times)
    if well_h is None:
        return _("{where} it prints well and stays printable for {printable}.").format(**times)
    return _("{where} it prints well for {well} and stays printable for {printable}.").format(**times)


def format_hours_ahead(hours: float | None) -> str:
    """Hours until a limit; None: longer than a forecast looks ahead."""
    if hours is None:
        return _("a year and more")
    return format_duration(round(hours, 1) if hours < 10 else round(hours))


def _name_drying(drying: Values) -> dict[str, str]:
    """Its dryer, stages and outermost grams in words."""
    mass_g = drying.get("mass_g")
    return {
        "dryer": drying["dryer"],
        "stages": format_stages(drying["stages"]),
        "mass": "" if mass_g is None else format_mass(mass_g, -2),
    }


def _name_afterwards(place: str) -> str:
    return _("Afterwards, in {place},").format(place=place) if place else _("Afterwards")


def _waiting(drying: Values) -> list[str]:
    waits = [Statement.from_data(wait).sentence for wait in drying["waits"]]
    shares = (
        [_("It shares the dryer with {spools}.").format(spools=join_codes(drying["shares_with"]))]
        if drying["shares_with"]
        else []
    )
    return [*waits, *shares]


def _join(*sentences: str) -> str:
    return " ".join(sentence for sentence in sentences if sentence)
