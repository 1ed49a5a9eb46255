"""The words of week plans: why a print is late or not made, and notes on a plan."""

from collections.abc import Sequence
from datetime import datetime

from spools.codes import pretty
from spools.statements import Statement, Values, words_for
from spools.wording import format_time

SENTENCES = {
    "week.no_spool": "There is no spool of {material}. Receive one, or choose another material.",
    "week.no_dryer": "It does not print well undried, and there is no dryer. Add one as a place.",
    "week.used_up": "Its spools are used up by the other prints, or the dryers have too few free hours.",
    "week.too_few_hours": "The dryers have too few free hours: with them to itself it would be in time.",
    "week.drying_dropped": "Its drying was dropped. Plan again to have it back.",
    "week.drying_broken": "Its planned drying no longer holds. Plan again.",
    "week.no_cool_dryer": "there is no dryer that may be set as cool as it needs",
    "week.too_much_heat": "it would be more heat than a polyamide may get, as at {set_point_c:g} °C in {dryer}",
    "week.capacity_unknown": "How many spools fit into {dryer} is not recorded: one at a time is planned. Enter it on "
    "the place's page.",
}
LEFT_OUT = {
    "spool_in_use": "the spool is drying already, or empty",
    "begun_late": "it should have begun by now",
    "dryer_taken": "the dryer is taken then",
}
for code, template in SENTENCES.items():
    words_for(code)(template.format)


def _time(at: str) -> str:
    return format_time(datetime.fromisoformat(at))


@words_for("week.amount_too_small")
def _amount_too_small(mass_g: float, spool: str, low_g: float, high_g: float) -> str:
    """spool: the fullest that matches."""
    return (
        f"No spool of it surely holds {mass_g:g} g: {pretty(spool)} has {low_g:.0f} to {high_g:.0f} g. Weigh it, or "
        "take another material."
    )


@words_for("week.never_good")
def _never_good(lacking: Sequence[Values]) -> str:
    """lacking: why each of its spools cannot be dried."""
    reasons = [Statement.from_data(reason).sentence for reason in lacking]
    reason = "; ".join(reasons) or "no drying can end so that it still prints well at its time"
    return f"It does not print well undried, and {reason}."


@words_for("week.earliest")
def _earliest(good_at: str) -> str:
    return f"Even with the dryers to itself it prints well only from {_time(good_at)}."


@words_for("week.others_first")
def _others_first(good_at: str) -> str:
    return (
        f"With the dryers to itself it could print well from {_time(good_at)}; other spools are dried first."
    )


@words_for("week.out_of_reach")
def _out_of_reach(
    target_pct: float, hours: float, set_point_c: float, dryer: str, cap: Values, error_k: float
) -> str:
    """cap: the statement on the highest set point."""
    return (
        f"no dryer surely reaches {target_pct:.2g} %: {hours:g} h at {set_point_c:g} °C in {dryer} are not enough, and "
        f"it may be no hotter ({Statement.from_data(cap).sentence}, and the dryer may be {error_k:g} K off)"
    )


@words_for("week.pinned_left_out")
def _pinned_left_out(spool: str, dryer: str, reason: str) -> str:
    return f"The pinned drying of {pretty(spool)} in {dryer} is left out: {LEFT_OUT[reason]}."


@words_for("week.never_dry")
def _never_dry(spool: str, dryer: str) -> str:
    return f"{pretty(spool)} in {dryer} likely does not get dry: the plan does not count on it."


@words_for("week.leave_in")
def _leave_in(spool: str, dryer: str, dry_at: str) -> str:
    return f"Leave {pretty(spool)} in {dryer} until {_time(dry_at)}: it is likely dry then."
