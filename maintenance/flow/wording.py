"""The words of statements about flow checks."""

from datetime import datetime

from maintenance.flow.curve import Usable
from spools.sentences import register_sentences
from spools.statements import words_for
from spools.wording import format_day, format_number

REMEDIES = {
    "flow_remedy.measure_feed": "Measure the filament's diameter; measure 100 mm of feed at the drive.",
    "flow_remedy.clean_and_measure": "Clean the nozzle with a cold pull, measure the filament's diameter, and "
    "check again.",
    "flow_remedy.clean_nozzle": "Clean the nozzle with a cold pull, then check again.",
    "flow_remedy.look_at_bore": "Look at the nozzle's bore.",
    "flow_remedy.brush_gears": "Brush the drive gears, check their spring, and check again; replace them if it "
    "stays.",
    "flow_remedy.melt_more": "Print slower or hotter, or use a hot end that melts more.",
}
SETUPS = {
    "flow.longer_blobs": "With this scale and length a loss is uncertain by {uncertainty_pct:.2g} % (standard uncertainty). "
    "{length_mm} mm a blob would make it {better_pct:g} %.",
    "flow.finer_scale": "With this scale and length a loss is uncertain by {uncertainty_pct:.2g} % (standard uncertainty). A "
    "finer scale would make it {better_pct:g} %.",
    "flow.short_at_all_rates": "Every blob weighs about {short_pct:.1f} % less than was commanded, at all rates alike: "
    "a wrong diameter or density, or wrong steps of the drive.",
    "flow.short_when_slow": "It lacks {short_pct:.1f} % already when slow, and {loss_pct:.1f} % more when fastest: a "
    "clog, or a wrong diameter on top of the usual rise.",
    "flow.no_loss": "No loss that counts up to {tested_mm3_s:g} mm³/s.",
}
_SPEED = "{speed_mm_s} mm/s with lines of {line_mm:g} x {layer_mm:g} mm."
SETTINGS = {
    "flow.set_at_most": "Set at most {setting_mm3_s!n} mm³/s for this filament; that is " + _SPEED,
    "flow.set_as_tested": "Set at most {setting_mm3_s!n} mm³/s for this filament, the fastest that was tested; that is "
    + _SPEED,
}
CHARTS = {
    "flow.chart_waits": "The chart starts after {start} checks; {missing} more until its first value.",
    "flow.loss_falls": "The loss at {flow_mm3_s!n} mm³/s falls: signalled since {since!d}.",
    "flow.loss_steady": "The loss at {flow_mm3_s!n} mm³/s is the same as at the start, within the uncertainty of the "
    "checks.",
}
register_sentences(REMEDIES | SETUPS | SETTINGS | CHARTS)


@words_for("flow.loss_rises")
def _loss_rises(flow_mm3_s: float, since: str, limit_pct: float, limit_at: str | None) -> str:
    rises = f"The loss at {format_number(flow_mm3_s)} mm³/s rises: signalled since {_day(since)}."
    return f"{rises} At this pace it reaches {limit_pct:g} % about {_day(limit_at)}." if limit_at else rises


def _day(at: str) -> str:
    return format_day(datetime.fromisoformat(at))


def _compared(flow_mm3_s: float, loss_pct: float, baseline_loss_pct: float) -> str:
    return f"{loss_pct:.1f} % at {flow_mm3_s:g} mm³/s, {baseline_loss_pct:.1f} % then"


@words_for("flow.usual_loss")
def _usual_loss(has_baseline: bool) -> str:
    compared = "as at the baseline" if has_baseline else "as is usual; there is no baseline yet"
    return f"The loss grows gradually with the flow, {compared}."


@words_for("flow.less_loss")
def _less_loss(**loss: float) -> str:
    return (
        f"Less is lost than at the baseline ({_compared(**loss)}): the melt meets less resistance. A worn bore "
        "does that, as does a hotter or cleaner hot end."
    )


@words_for("flow.clogged")
def _clogged(short_more_pct: float, **loss: float) -> str:
    return (
        f"More is lost than at the baseline ({_compared(**loss)}), and {short_more_pct:.1f} % more already when "
        "slow: a clog."
    )


@words_for("flow.gears_slip")
def _gears_slip(**loss: float) -> str:
    return (
        f"More is lost than at the baseline from moderate flow on ({_compared(**loss)}), and nothing when slow: "
        "the drive gears slip, by wear, dirt or a weak spring."
    )


@words_for("flow.melt_limit")
def _melt_limit(knee_mm3_s: float, scatter_ratio: float | None) -> str:
    scatter = f", where blobs scatter {scatter_ratio:.1f} times as much" if scatter_ratio else ""
    return f"Hardly any loss up to {knee_mm3_s:g} mm³/s, then a knee{scatter}: the hot end melts no more than that."


def format_usable(usable: Usable) -> str:
    """Where a loss is reached, such as "at 6.1 (5.4 to 7) mm³/s", or perhaps is, or that it is not."""
    low, likely, high = usable.low_mm3_s, usable.likely_mm3_s, usable.high_mm3_s
    tested = format_number(usable.tested_mm3_s)
    if low is None:
        return f"not up to {tested} mm³/s"
    if likely is None:
        return f"perhaps from {format_number(low)} mm³/s on, likely above {tested}"
    upper = f"over {tested}" if high is None else format_number(high)
    return f"at {format_number(likely)} ({format_number(low)} to {upper}) mm³/s"
