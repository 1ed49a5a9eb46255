"""Reasons why a mass that a scale sent is held, in words."""

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

HELD = {
    "which_spool": gettext_lazy(
        "No spool was scanned there in the ten minutes before. Which spool was that?"
    ),
    "other_mass": gettext_lazy(
        "One scan, and two masses: another spool was on the scale. Which spool was that?"
    ),
    "jumped": gettext_lazy(
        "The mass jumped: somebody changed the spool, or took filament off. Is it still this spool?"
    ),
    "not_loaded": gettext_lazy("No spool was loaded on this toolhead. Which spool was that?"),
    "unknown_code": gettext_lazy("No spool carries the code that came with it. Which spool was that?"),
    "below_reel_mass": gettext_lazy("The empty reel alone is heavier. Was another spool on the scale?"),
    "above_ever_weighed": gettext_lazy(
        "The spool never weighed so much, and its moisture does not explain it. Was another spool on the scale?"
    ),
    "above_received_mass": gettext_lazy("It is far more than was received. Was another spool on the scale?"),
    "out_of_range": gettext_lazy("No spool weighs that. Look at the scale and its tare."),
    "spool_ended": gettext_lazy("The spool is out of use. Was another spool on the scale?"),
    "in_the_future": gettext_lazy("The scale's clock is ahead. Whose mass is it?"),
    "before_receipt": gettext_lazy(
        "The spool was received later. Was another spool on the scale, or is its clock wrong?"
    ),
}


def explain_held(code: str) -> str:
    """Why a mass is held, and the question that settles it."""
    return str(HELD.get(code) or _("The books do not take it as it is. Whose mass is it?"))
