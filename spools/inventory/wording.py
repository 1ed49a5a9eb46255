"""The words of the reasons for the amount on a spool, and of what opened its bag."""

from collections.abc import Sequence
from datetime import datetime

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from spools.sentences import register_sentences
from spools.statements import words_for
from spools.wording import format_mass, format_time

SENTENCES = {
    "amount_reason.label": gettext_lazy(
        "Received with {mass_g!m} by its label, taken as right within {error_pct:.0f}% (common practice, no source)."
    ),
    "amount_reason.printed": gettext_lazy("Less {printed_g!m} printed or cut off since."),
    "amount_reason.joined": gettext_lazy("With {joined_g!m} joined onto it since."),
    "amount_reason.really_printed": gettext_lazy(
        "Of the {recorded_g!m} that were recorded as printed, {real_pct:.0f} % really left by the scale "
        "({real_low_pct:.0f} to {real_high_pct:.0f} %)."
    ),
    "amount_reason.dried": gettext_lazy("Just dried: between 0 and {most_pct!n} % of water taken off."),
    "amount_reason.water_unknown": gettext_lazy(
        "Water not known: between 0 and {most_pct!n} % (what it takes up at 50 % RH) taken off; half of it for the likely "
        "value."
    ),
    "cause.respooled": gettext_lazy("wound onto another reel"),
}
register_sentences(SENTENCES)


def _band(mass_g: Sequence[float]) -> str:
    """mass_g: (low, likely, high)."""
    low, likely, high = (format_mass(mass) for mass in mass_g)
    return _("{likely} ({low} to {high})").format(likely=likely, low=low, high=high)


@words_for("amount_reason.ended")
def _ended(at: str) -> str:
    return _("Out of use since {at}.").format(at=format_time(datetime.fromisoformat(at)))


@words_for("amount_reason.weighed")
def _weighed(at: str, gross_g: float, step_g: float) -> str:
    return _("Weighed on {at}: {gross} with the reel, in steps of {step}.").format(
        at=format_time(datetime.fromisoformat(at)), gross=format_mass(gross_g), step=format_mass(step_g, -2)
    )


@words_for("amount_reason.reel")
def _reel(core_g: float, band_g: float, known: bool) -> str:
    text = _("Less the reel, {core} ± {band} (assumed).")
    if known:
        text = _("Less the reel, {core} ± {band} (weighed or stated).")
    return text.format(core=format_mass(core_g), band=format_mass(band_g))


@words_for("amount_reason.weighings_and_moisture")
def _together(
    at: str,
    gross_g: float,
    step_g: float,
    weighings: int,
    filament_g: Sequence[float],
    water_g: Sequence[float],
    core_g: Sequence[float],
) -> str:
    """filament_g, water_g, core_g: (low, likely, high)."""
    text = ngettext(
        "From its label, the grams printed and the moisture: {filament} of filament, {water} of water and {core} of reel.",
        "From its {weighings} weighings, the grams printed and the moisture: {filament} of filament, {water} of water and "
        "{core} of reel.",
        weighings,
    ).format(weighings=weighings, filament=_band(filament_g), water=_band(water_g), core=_band(core_g))
    ranges = _("These are 80 % ranges; the one beside the amount is wider, a 98 % range.")
    return f"{_weighed(at, gross_g, step_g)} {text} {ranges}"
