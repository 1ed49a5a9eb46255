"""The words of statements about flow checks."""

from datetime import datetime

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from maintenance.flow.curve import Usable
from spools.sentences import register_sentences
from spools.statements import words_for
from spools.wording import format_day, format_exact, format_fixed, format_number, format_percent

REMEDIES = {
    "flow_remedy.measure_feed": gettext_lazy(
        "Measure the filament's diameter; measure 100 mm of feed at the drive."
    ),
    "flow_remedy.clean_and_measure": gettext_lazy(
        "Clean the nozzle with a cold pull, measure the filament's diameter, and check again."
    ),
    "flow_remedy.clean_nozzle": gettext_lazy("Clean the nozzle with a cold pull, then check again."),
    "flow_remedy.look_at_bore": gettext_lazy("Look at the nozzle's bore."),
    "flow_remedy.brush_gears": gettext_lazy(
        "Brush the drive gears, check their spring, and check again; replace them if it stays."
    ),
    "flow_remedy.melt_more": gettext_lazy("Print slower or hotter, or use a hot end that melts more."),
}
SETUPS = {
    "flow.longer_blobs": gettext_lazy(
        "With this scale and length a loss is uncertain by {uncertainty_pct:.2g} % (standard uncertainty). "
        "{length_mm} mm a blob would make it {better_pct:g} %."
    ),
    "flow.finer_scale": gettext_lazy(
        "With this scale and length a loss is uncertain by {uncertainty_pct:.2g} % (standard uncertainty). A "
        "finer scale would make it {better_pct:g} %."
    ),
    "flow.short_at_all_rates": gettext_lazy(
        "Every blob weighs about {short_pct:.1f} % less than was commanded, at all rates alike: "
        "a wrong diameter or density, or wrong steps of the drive."
    ),
    "flow.short_when_slow": gettext_lazy(
        "It lacks {short_pct:.1f} % already when slow, and {loss_pct:.1f} % more when fastest: a "
        "clog, or a wrong diameter on top of the usual rise."
    ),
    "flow.no_loss": gettext_lazy("No loss that counts up to {tested_mm3_s:g} mm³/s."),
}
SETTINGS = {
    "flow.set_at_most": gettext_lazy(
        "Set at most {setting_mm3_s!n} mm³/s for this filament; that is {speed_mm_s} mm/s with lines of "
        "{line_mm:g} x {layer_mm:g} mm."
    ),
    "flow.set_as_tested": gettext_lazy(
        "Set at most {setting_mm3_s!n} mm³/s for this filament, the fastest that was tested; that is "
        "{speed_mm_s} mm/s with lines of {line_mm:g} x {layer_mm:g} mm."
    ),
}
CHARTS = {
    "flow.chart_waits": gettext_lazy(
        "The chart starts after {start} checks; {missing} more until its first value."
    ),
    "flow.loss_falls": gettext_lazy("The loss at {flow_mm3_s!n} mm³/s falls: signalled since {since!d}."),
    "flow.loss_steady": gettext_lazy(
        "The loss at {flow_mm3_s!n} mm³/s is the same as at the start, within the uncertainty of the checks."
    ),
}
REFUSALS = {
    "flow_refusal.scale_too_coarse_for_any_length": gettext_lazy(
        "A scale that reads {resolution_g:g} g is too coarse for blobs of {commanded_g:.2g} g: the loss would be "
        "uncertain by {uncertainty_pct:g} %, and 5 % would look like none. Take a finer scale: no length would do."
    ),
    "flow_refusal.scale_too_coarse": gettext_lazy(
        "A scale that reads {resolution_g:g} g is too coarse for blobs of {commanded_g:.2g} g: the loss would be "
        "uncertain by {uncertainty_pct:g} %, and 5 % would look like none. Extrude at least {least_mm} mm a "
        "blob[ ({good_mm} mm for a good check)], or take a finer scale."
    ),
    "flow_refusal.rate_count": gettext_lazy(
        "Give {least} to {most} rates, the slow reference first; got {count}."
    ),
    "flow_refusal.rate_out_of_range": gettext_lazy(
        "Every rate is a number between {slowest:g} and {fastest:g} mm³/s. Look at the rates."
    ),
    "flow_refusal.rate_twice": gettext_lazy("{flow:g} mm³/s is there twice. Give each rate once."),
    "flow_refusal.rates_not_rising": gettext_lazy(
        "{after:g} mm³/s comes after {before:g}. Give the rates in rising order."
    ),
    "flow_refusal.reference_weighs_nothing": gettext_lazy(
        "The slow reference weighs nothing, so there is nothing to compare with. Clear the nozzle and the drive, "
        "then do the check again."
    ),
    "flow_refusal.blob_count": gettext_lazy(
        "Give 1 to {most} blobs at {flow:g} mm³/s; got {count}. Weigh one at least."
    ),
    "flow_refusal.mass_out_of_range": gettext_lazy(
        "A blob at {flow:g} mm³/s needs a mass of 0 g or more; got {mass_g:g}."
    ),
    "flow_refusal.mass_too_heavy": gettext_lazy(
        "A blob at {flow:g} mm³/s of {mass_g:g} g is heavier than {length_mm:g} mm of this filament can be: "
        "{commanded_g:.3g} g, at most {heaviest_g:.3g} g with its tolerance and the scale's step. Weigh it alone and "
        "with the tare taken off; look at the length, the diameter, the feedstock's density and the steps of the "
        "drive."
    ),
}
register_sentences(REFUSALS | REMEDIES | SETUPS | SETTINGS | CHARTS)


@words_for("flow.loss_rises")
def _loss_rises(flow_mm3_s: float, since: str, limit_pct: float, limit_at: str | None) -> str:
    rises = _("The loss at {flow} mm³/s rises: signalled since {day}.").format(
        flow=format_number(flow_mm3_s), day=_day(since)
    )
    if not limit_at:
        return rises
    reaches = _("At this pace it reaches {loss} about {day}.").format(
        loss=format_percent(limit_pct), day=_day(limit_at)
    )
    return f"{rises} {reaches}"


def _day(at: str) -> str:
    return format_day(datetime.fromisoformat(at))


def _compared(flow_mm3_s: float, loss_pct: float, baseline_loss_pct: float) -> str:
    return _("{loss} at {flow} mm³/s, {baseline_loss} then").format(
        loss=format_percent(loss_pct, 1),
        flow=format_exact(flow_mm3_s),
        baseline_loss=format_percent(baseline_loss_pct, 1),
    )


@words_for("flow.usual_loss")
def _usual_loss(has_baseline: bool) -> str:
    if has_baseline:
        return _("The loss grows gradually with the flow, as at the baseline.")
    return _("The loss grows gradually with the flow, as is usual; there is no baseline yet.")


@words_for("flow.less_loss")
def _less_loss(**loss: float) -> str:
    return _(
        "Less is lost than at the baseline ({compared}): the melt meets less resistance. A worn bore does that, as "
        "does a hotter or cleaner hot end."
    ).format(compared=_compared(**loss))


@words_for("flow.clogged")
def _clogged(short_more_pct: float, **loss: float) -> str:
    return _(
        "More is lost than at the baseline ({compared}), and {more} more already when slow: a clog."
    ).format(compared=_compared(**loss), more=format_percent(short_more_pct, 1))


@words_for("flow.gears_slip")
def _gears_slip(**loss: float) -> str:
    return _(
        "More is lost than at the baseline from moderate flow on ({compared}), and nothing when slow: the drive "
        "gears slip, by wear, dirt or a weak spring."
    ).format(compared=_compared(**loss))


@words_for("flow.melt_limit")
def _melt_limit(knee_mm3_s: float, scatter_ratio: float | None) -> str:
    knee = format_exact(knee_mm3_s)
    if not scatter_ratio:
        return _(
            "Hardly any loss up to {knee} mm³/s, then a knee: the hot end melts no more than that."
        ).format(knee=knee)
    return _(
        "Hardly any loss up to {knee} mm³/s, then a knee, where blobs scatter {times} times as much: the hot end "
        "melts no more than that."
    ).format(knee=knee, times=format_fixed(scatter_ratio, 1))


def format_usable(usable: Usable) -> str:
    """Where a loss is reached, such as "at 6.1 (5.4 to 7) mm³/s", or perhaps is, or that it is not."""
    low, likely, high = usable.low_mm3_s, usable.likely_mm3_s, usable.high_mm3_s
    tested = format_number(usable.tested_mm3_s)
    if low is None:
        return _("not up to {tested} mm³/s").format(tested=tested)
    if likely is None:
        return _("perhaps from {low} mm³/s on, likely above {tested}").format(
            low=format_number(low), tested=tested
        )
    upper = _("over {tested}").format(tested=tested) if high is None else format_number(high)
    return _("at {likely} ({low} to {high}) mm³/s").format(
        likely=format_number(likely), low=format_number(low), high=upper
    )
