"""The words of advice: where, when and how hot a spool is dried, and how long it prints well afterwards."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any

from spools.codes import join_codes
from spools.drying.plan_wording import ask_for_reel, name_limit
from spools.statements import Statement, Values, words_for
from spools.wording import format_duration, format_number, format_stages, format_time


@words_for("advice.pending")
def _pending() -> str:
    return "The drying advice is being computed; load the page again in a minute."


@words_for("advice.none_needed")
def _none_needed(target_pct: float, **_: Any) -> str:
    return f"It prints well: its moisture is probably below {format_number(target_pct)} %."


@words_for("advice.no_dryer")
def _no_dryer(**_: Any) -> str:
    return "Dry it. No dryer is recorded yet: add one to see a plan."


def _reel(limited_by: Values | None) -> str:
    """The question for the reel, where it decides."""
    asked = limited_by is not None and limited_by["code"] == "drying.limited_by_unknown_reel"
    return ask_for_reel(**limited_by["values"]) if limited_by and asked else ""


def _name_part(drying: Values) -> str:
    """All of a spool, or its outermost grams."""
    mass_g = drying.get("mass_g")
    return "it" if mass_g is None else f"its outer {mass_g:g} g"


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
        return "Start the print as it comes out of the dryer."
    return f"Start the print within {format_duration(minutes / 60)} of taking it out."


def _about_turns(drying: Values, cautions: Sequence[Values], well_h: float | None = None) -> list[str]:
    """The reason why only the outermost grams are dried, by when they are printed, and the cautions about them."""
    why = ["All of it would take more than two days, or never get dry."] if drying.get("mass_g") else []
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
    **_: Any,
) -> str:
    return _join(
        _reel(limited_by),
        f"Dry {_name_part(drying)} in {drying['dryer']}, {format_stages(drying['stages'])}, ready "
        f"{format_iso(drying['ready_at'])}.",
        *_waiting(drying),
        _name_limit(drying, limited_by),
        format_both_times(well_h, printable_h, f"Afterwards, in {place}," if place else "Afterwards"),
        *_about_turns(drying, cautions, well_h),
    )


@words_for("advice.planned")
def _planned(drying: Values, well_h: float | None, printable_h: float | None, place: str, **_: Any) -> str:
    return _join(
        f"Planned: dry {_name_part(drying)} in {drying['dryer']} from {format_iso(drying['starts_at'])}, "
        f"{format_stages(drying['stages'])}, ready {format_iso(drying['ready_at'])}.",
        *_waiting(drying),
        format_both_times(well_h, printable_h, f"Afterwards, in {place}," if place else "Afterwards"),
    )


@words_for("advice.heat_used")
def _heat_used(drying: Values, cautions: Sequence[Values], **_: Any) -> str:
    whole_or_part = "the whole spool" if drying.get("mass_g") is None else _name_part(drying)
    return _join(
        "Store it dry: its heat budget is used up.",
        *(Statement.from_data(caution).sentence for caution in cautions),
        f"Dry only what a job needs; {whole_or_part} takes {format_stages(drying['stages'])} in {drying['dryer']}.",
    )


@words_for("advice.unreachable")
def _unreachable(
    cautions: Sequence[Values], drying: Values, limited_by: Values | None = None, **_: Any
) -> str:
    reasons = " ".join(Statement.from_data(caution).sentence for caution in cautions)
    return _join(_reel(limited_by), f"No dryer gets it dry enough. In {drying['dryer']}: {reasons}")


@words_for("advice.in_run")
def _in_run(drying: Values, cautions: Sequence[Values], **_: Any) -> str:
    over_at = datetime.fromisoformat(drying["starts_at"]) + timedelta(hours=drying["hours"])
    dries = "It dries" if drying.get("mass_g") is None else f"I{_name_part(drying)[1:]} dry"
    ready = f" It is ready {format_iso(drying['ready_at'])}." if drying["ready_at"] else ""
    return _join(
        f"{dries} in {drying['dryer']} since {format_iso(drying['starts_at'])}, {format_stages(drying['stages'])}, planned "
        f"until {format_time(over_at)}.{ready}",
        *(Statement.from_data(caution).sentence for caution in cautions),
    )


@words_for("drying.stays_good")
def _stays_good(place: str, well_h: float | None, printable_h: float | None) -> str:
    return format_both_times(well_h, printable_h, f"In {place}")


@words_for("drying.waits_for")
def _waits_for(spools: Sequence[str], until: str) -> str:
    return f"The dryer is occupied until {format_iso(until)}, by {join_codes(spools)}."


@words_for("drying.take_out_first")
def _take_out_first(spools: Sequence[str]) -> str:
    return f"Take {join_codes(spools)} out first."


@words_for("drying.planned_too_hot")
def _planned_too_hot(reason: Values) -> str:
    return f"The plan has become too hot: {Statement.from_data(reason).sentence}. Plan again."


@words_for("drying.heat_is_used_up")
def _heat_is_used_up(since: str) -> str:
    return (
        f"Take it out now: by {format_iso(since)} it had received all the heat that a polyamide may get in one run. "
        "More turns it yellow and brittle."
    )


@words_for("drying.take_out_by")
def _take_out_by(by: str) -> str:
    return (
        f"Take it out by {format_iso(by)}: by then it has received all the heat that a polyamide may get in one "
        "run. Dry it cooler, or again after a stay in dry storage."
    )


@words_for("drying.leave_in_until")
def _leave_in_until(until: str) -> str:
    return f"All of it is likely dry enough only from {format_iso(until)}: leave it in until then."


def format_iso(at: str) -> str:
    """An ISO 8601 time as on the pages."""
    return format_time(datetime.fromisoformat(at))


def format_both_times(well_h: float | None, printable_h: float | None, where: str) -> str:
    """Both times: how long a spool prints well, and how long it stays printable."""
    if printable_h is not None and printable_h <= 0:
        return f"{where} it may already be over its print limit."
    printable = f"stays printable for {format_hours_ahead(printable_h)}"
    if well_h is not None and well_h <= 0:
        return f"{where} it may no longer print well, but {printable}."
    if well_h is None:
        return f"{where} it prints well and {printable}."
    return f"{where} it prints well for {format_hours_ahead(well_h)} and {printable}."


def format_hours_ahead(hours: float | None) -> str:
    """Hours until a limit; None: longer than a forecast looks ahead."""
    if hours is None:
        return "a year and more"
    return format_duration(round(hours, 1) if hours < 10 else round(hours))


def _waiting(drying: Values) -> list[str]:
    waits = [Statement.from_data(wait).sentence for wait in drying["waits"]]
    shares = (
        [f"It shares the dryer with {join_codes(drying['shares_with'])}."] if drying["shares_with"] else []
    )
    return [*waits, *shares]


def _join(*sentences: str) -> str:
    return " ".join(sentence for sentence in sentences if sentence)
