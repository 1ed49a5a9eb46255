"""The words of the reasons for the amount on a spool, and of what opened its bag."""

from collections.abc import Sequence
from datetime import datetime

from spools.sentences import register_sentences
from spools.statements import words_for
from spools.wording import format_time

SENTENCES = {
    "amount_reason.label": "Received with {mass_g:.0f} g by its label, taken as right within {error_pct:.0f}% (common "
    "practice, no source).",
    "amount_reason.printed": "Less {printed_g:.0f} g printed or cut off since.",
    "amount_reason.joined": "With {joined_g:.0f} g joined onto it since.",
    "amount_reason.really_printed": "Of the {recorded_g:.0f} g that were recorded as printed, {real_pct:.0f} % really "
    "left by the scale ({real_low_pct:.0f} to {real_high_pct:.0f} %).",
    "amount_reason.dried": "Just dried: between 0 and {most_pct:.2g} % of water taken off.",
    "amount_reason.water_unknown": "Water not known: between 0 and {most_pct:.2g} % (what it takes up at 50 % RH) taken "
    "off; half of it for the likely value.",
    "cause.respooled": "wound onto another reel",
}
register_sentences(SENTENCES)


def _weighed_at(at: str, gross_g: float, step_g: float) -> str:
    weighed = format_time(datetime.fromisoformat(at))
    return f"Weighed on {weighed}: {gross_g:.0f} g with the reel, in steps of {step_g:g} g."


def _band(mass_g: Sequence[float]) -> str:
    """mass_g: (low, likely, high)."""
    low, likely, high = mass_g
    return f"{likely:.0f} g ({low:.0f} to {high:.0f} g)"


@words_for("amount_reason.ended")
def _ended(at: str) -> str:
    return f"Out of use since {format_time(datetime.fromisoformat(at))}."


@words_for("amount_reason.weighed")
def _weighed(at: str, gross_g: float, step_g: float) -> str:
    return _weighed_at(at, gross_g, step_g)


@words_for("amount_reason.reel")
def _reel(core_g: float, band_g: float, known: bool) -> str:
    return f"Less the reel, {core_g:.0f} ± {band_g:.0f} g ({'weighed or stated' if known else 'assumed'})."


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
    beside = "its label" if weighings == 1 else f"its {weighings} weighings"
    return (
        f"{_weighed_at(at, gross_g, step_g)} From {beside}, the grams printed and the moisture: "
        f"{_band(filament_g)} of filament, {_band(water_g)} of water and {_band(core_g)} of reel. These are 80 % ranges; "
        "the one beside the amount is wider, a 98 % range."
    )
