"""The words of week plans: why a print is late or not made, notes on a plan, and why it no longer holds."""

from collections.abc import Sequence
from datetime import datetime

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from spools.codes import pretty
from spools.sentences import register_sentences
from spools.statements import Statement, Values, words_for
from spools.wording import (
    Stages,
    format_chance,
    format_percent,
    format_significant,
    format_stages,
    format_time,
)

LIKELY = 0.5

SENTENCES = {
    "week.no_spool": gettext_lazy(
        "There is no spool of {material}. Receive one, or choose another material."
    ),
    "week.no_dryer": gettext_lazy(
        "It does not print well undried, and there is no dryer. Add one as a place."
    ),
    "week.used_up": gettext_lazy(
        "Its spools are used up by the other prints, or the dryers have too few free hours."
    ),
    "week.too_few_hours": gettext_lazy(
        "The dryers have too few free hours: with them to itself it would be in time."
    ),
    "week.drying_dropped": gettext_lazy("Its drying was dropped. Plan again to have it back."),
    "week.drying_broken": gettext_lazy("Its planned drying no longer holds. Plan again."),
    "week.no_cool_dryer": gettext_lazy("there is no dryer that may be set as cool as it needs"),
    "week.too_much_heat": gettext_lazy(
        "it would be more heat than a polyamide may get, as at {set_point_c!o} in {dryer}"
    ),
    "week.amount_too_small": gettext_lazy(
        "No spool of it surely holds {mass_g!m}: {spool!c} has {low_g!m} to {high_g!m}. Weigh it, or take "
        "another material."
    ),
    "week.earliest": gettext_lazy("Even with the dryers to itself it prints well only from {good_at!t}."),
    "week.others_first": gettext_lazy(
        "With the dryers to itself it could print well from {good_at!t}; other spools are dried first."
    ),
    "week.out_of_reach": gettext_lazy(
        "no dryer surely reaches {target_pct:.2g} %: {hours!h} at {set_point_c!o} in {dryer} are not enough, and "
        "it may be no hotter ({cap!w}, and the dryer may be {error_k!k} off)"
    ),
    "week.late": gettext_lazy("{request} prints well only from {good_at!t}, {late_h!h} late."),
    "week.never_dry": gettext_lazy(
        "{spool!c} in {dryer} likely does not get dry: the plan does not count on it."
    ),
    "week.leave_in": gettext_lazy("Leave {spool!c} in {dryer} until {dry_at!t}: it is likely dry then."),
    "week.capacity_unknown": gettext_lazy(
        "How many spools fit into {dryer} is not recorded: one at a time is planned. Enter it on the place's page."
    ),
}
VIOLATIONS = {
    "violation.spool_ended": gettext_lazy("Spool {spool!c} is out of use since {ended_at!t}."),
    "violation.drying_already": gettext_lazy("Spool {spool!c} is drying in {dryer} since {since!t}."),
    "violation.in_a_print": gettext_lazy("Spool {spool!c} is in {print} from {start!t} to {end!t}."),
    "violation.begun_late": gettext_lazy("Spool {spool!c} should have gone into {dryer} on {start!t}."),
    "violation.nobody_puts_in": gettext_lazy("Nobody is there on {at!t} to put {spool!c} in."),
    "violation.nobody_takes_out": gettext_lazy("Nobody is there on {at!t} to take {spool!c} out."),
    "violation.above_cap": gettext_lazy("{set_point_c!o} is too hot: {cap!w}."),
    "violation.above_start_cap": gettext_lazy("{set_point_c!o} is too hot to start at: {cap!w}."),
    "violation.dryer_full": gettext_lazy("{dryer} is full on {at!t}: {spools} spools would be in it."),
    "violation.two_set_points": gettext_lazy(
        "{spools!c} are both in {dryer} then, and it cannot be set to both of their temperatures."
    ),
    "violation.takes_smell": gettext_lazy(
        "{spools!c} are both in {dryer} then, and one takes on the smell of the other ({smell})."
    ),
    "violation.not_enough_filament": gettext_lazy("Spool {spool!c} does not surely hold that much any more."),
    "violation.drying_broken": gettext_lazy(
        "It waits for the drying of {spool!c}, which does not hold any more."
    ),
}
LEFT_OUT = {
    "spool_in_use": gettext_lazy("the spool is drying already, or empty"),
    "begun_late": gettext_lazy("it should have begun by now"),
    "dryer_taken": gettext_lazy("the dryer is taken then"),
}
register_sentences(SENTENCES | VIOLATIONS)


@words_for("week.never_good")
def _never_good(lacking: Sequence[Values]) -> str:
    """lacking: why each of its spools cannot be dried."""
    reasons = [Statement.from_data(reason).sentence for reason in lacking]
    reason = "; ".join(reasons) or _("no drying can end so that it still prints well at its time")
    return _("It does not print well undried, and {reason}.").format(reason=reason)


@words_for("week.pinned_left_out")
def _pinned_left_out(spool: str, dryer: str, reason: str) -> str:
    return _("The pinned drying of {code} in {dryer} is left out: {reason}.").format(
        code=pretty(spool), dryer=dryer, reason=LEFT_OUT[reason]
    )


@words_for("violation.too_much_heat")
def _too_much_heat(spool: str, stages: Stages, run_share: float, life_share: float) -> str:
    return _("{stages}: more heat than a polyamide may have ({share}).").format(
        stages=format_stages(stages), share=format_percent(100 * max(run_share, life_share))
    )


@words_for("violation.not_dry_enough")
def _not_dry_enough(spool: str, stages: Stages, target_pct: float, over: float) -> str:
    sentence = (
        _("After {stages} spool {code} is likely not below {target} % ({chance} chance of more).")
        if over > LIKELY
        else _("After {stages} spool {code} may be not below {target} % ({chance} chance of more).")
    )
    return sentence.format(
        stages=format_stages(stages),
        code=pretty(spool),
        target=format_significant(target_pct, 2),
        chance=format_chance(100 * over),
    )


@words_for("violation.over_print_limit")
def _over_print_limit(spool: str, limit_pct: float, due: str, over: float) -> str:
    sentence = (
        _("Spool {code} is likely over the print limit of {limit} % by {due} ({chance} chance).")
        if over > LIKELY
        else _("Spool {code} may be over the print limit of {limit} % by {due} ({chance} chance).")
    )
    return sentence.format(
        code=pretty(spool),
        limit=format_significant(limit_pct, 2),
        due=format_time(datetime.fromisoformat(due)),
        chance=format_chance(100 * over),
    )
