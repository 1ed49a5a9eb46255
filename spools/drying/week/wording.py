"""The words of week plans: why a print is late or not made, notes on a plan, and why it no longer holds."""

from collections.abc import Sequence
from datetime import datetime

from spools.codes import pretty
from spools.sentences import register_sentences
from spools.statements import Statement, Values, words_for
from spools.wording import Stages, format_chance, format_stages, format_time

SENTENCES = {
    "week.no_spool": "There is no spool of {material}. Receive one, or choose another material.",
    "week.no_dryer": "It does not print well undried, and there is no dryer. Add one as a place.",
    "week.used_up": "Its spools are used up by the other prints, or the dryers have too few free hours.",
    "week.too_few_hours": "The dryers have too few free hours: with them to itself it would be in time.",
    "week.drying_dropped": "Its drying was dropped. Plan again to have it back.",
    "week.drying_broken": "Its planned drying no longer holds. Plan again.",
    "week.no_cool_dryer": "there is no dryer that may be set as cool as it needs",
    "week.too_much_heat": "it would be more heat than a polyamide may get, as at {set_point_c:g} °C in {dryer}",
    "week.amount_too_small": "No spool of it surely holds {mass_g:g} g: {spool!c} has {low_g:.0f} to {high_g:.0f} g. "
    "Weigh it, or take another material.",
    "week.earliest": "Even with the dryers to itself it prints well only from {good_at!t}.",
    "week.others_first": "With the dryers to itself it could print well from {good_at!t}; other spools are dried first.",
    "week.out_of_reach": "no dryer surely reaches {target_pct:.2g} %: {hours:g} h at {set_point_c:g} °C in {dryer} are "
    "not enough, and it may be no hotter ({cap!w}, and the dryer may be {error_k:g} K off)",
    "week.late": "{request} prints well only from {good_at!t}, {late_h:.3g} h late.",
    "week.never_dry": "{spool!c} in {dryer} likely does not get dry: the plan does not count on it.",
    "week.leave_in": "Leave {spool!c} in {dryer} until {dry_at!t}: it is likely dry then.",
    "week.capacity_unknown": "How many spools fit into {dryer} is not recorded: one at a time is planned. Enter it on "
    "the place's page.",
}
VIOLATIONS = {
    "violation.spool_ended": "Spool {spool!c} is out of use since {ended_at!t}.",
    "violation.drying_already": "Spool {spool!c} is drying in {dryer} since {since!t}.",
    "violation.in_a_print": "Spool {spool!c} is in {print} from {start!t} to {end!t}.",
    "violation.begun_late": "Spool {spool!c} should have gone into {dryer} on {start!t}.",
    "violation.nobody_puts_in": "Nobody is there on {at!t} to put {spool!c} in.",
    "violation.nobody_takes_out": "Nobody is there on {at!t} to take {spool!c} out.",
    "violation.above_cap": "{set_point_c:g} °C is too hot: {cap!w}.",
    "violation.above_start_cap": "{set_point_c:g} °C is too hot to start at: {cap!w}.",
    "violation.dryer_full": "{dryer} is full on {at!t}: {spools} spools would be in it.",
    "violation.two_set_points": "{spools!c} are both in {dryer} then, and it cannot be set to both of their "
    "temperatures.",
    "violation.takes_smell": "{spools!c} are both in {dryer} then, and one takes on the smell of the other ({smell}).",
    "violation.not_enough_filament": "Spool {spool!c} does not surely hold that much any more.",
    "violation.drying_broken": "It waits for the drying of {spool!c}, which does not hold any more.",
}
LEFT_OUT = {
    "spool_in_use": "the spool is drying already, or empty",
    "begun_late": "it should have begun by now",
    "dryer_taken": "the dryer is taken then",
}
register_sentences(SENTENCES | VIOLATIONS)


@words_for("week.never_good")
def _never_good(lacking: Sequence[Values]) -> str:
    """lacking: why each of its spools cannot be dried."""
    reasons = [Statement.from_data(reason).sentence for reason in lacking]
    reason = "; ".join(reasons) or "no drying can end so that it still prints well at its time"
    return f"It does not print well undried, and {reason}."


@words_for("week.pinned_left_out")
def _pinned_left_out(spool: str, dryer: str, reason: str) -> str:
    return f"The pinned drying of {pretty(spool)} in {dryer} is left out: {LEFT_OUT[reason]}."


@words_for("violation.too_much_heat")
def _too_much_heat(spool: str, stages: Stages, run_share: float, life_share: float) -> str:
    return f"{format_stages(stages)}: more heat than a polyamide may have ({100 * max(run_share, life_share):.0f} %)."


@words_for("violation.not_dry_enough")
def _not_dry_enough(spool: str, stages: Stages, target_pct: float, over: float) -> str:
    return (
        f"After {format_stages(stages)} spool {pretty(spool)} {_chance(over)} not below {target_pct:.2g} % "
        f"({format_chance(100 * over)} chance of more)."
    )


@words_for("violation.over_print_limit")
def _over_print_limit(spool: str, limit_pct: float, due: str, over: float) -> str:
    return (
        f"Spool {pretty(spool)} {_chance(over)} over the print limit of {limit_pct:.2g} % by "
        f"{format_time(datetime.fromisoformat(due))} ({format_chance(100 * over)} chance)."
    )


def _chance(over: float) -> str:
    return "is likely" if over > 0.5 else "may be"
