"""Words for the statements of readiness about the flow of a job: flow checks, soft filament, retractions."""

from collections.abc import Sequence
from typing import Any

from django.utils.translation import gettext_lazy as _

from maintenance.flow.curve import Usable
from maintenance.flow.wording import format_usable
from maintenance.models import PartKind
from spools.sentences import fill, register_sentences
from spools.statements import words_for
from spools.wording import format_list

SENTENCES = {
    "flow_unchecked": _(
        "The job asks for up to {max_flow_mm3_s!n} mm³/s; there is no flow check of {material} on {toolhead}."
    ),
    "flow_faster_than_checked": _(
        "The job asks for up to {max_flow_mm3_s!n} mm³/s; the flow check of {checked_at!d} went no further than "
        "{tested_mm3_s!n} mm³/s."
    ),
    "flow_cooler_than_checked": _(
        "The job asks for up to {max_flow_mm3_s!n} mm³/s; the flow check of {checked_at!d} was made at {checked_c!o}, the "
        "job prints at {nozzle_c!o}."
    ),
    "flow_check_old": _(
        "The job asks for up to {max_flow_mm3_s!n} mm³/s; the flow check of {checked_at!d} is {days_ago:.0f} days old, more "
        "than {limit_days}."
    ),
    "flow_delivered": _(
        "The job asks for up to {max_flow_mm3_s!n} mm³/s; the flow check of {checked_at!d} lost less than 5 % up to "
        "{up_to_mm3_s!n} mm³/s."
    ),
    "set_flow_at_most": _("Set at most {setting_mm3_s!n} mm³/s for this filament, or take another printer."),
    "soft_in_tube": _(
        "{polymer} is soft, and {toolhead} pushes it through a long tube, in which it springs and can buckle (common "
        "practice, no source)."
    ),
    "soft_on_short_path": _("{polymer} is soft; the drive of {toolhead} sits at the hot end."),
    "retractions_usual": _(
        "{count} retractions, {per_m!n} for each metre of filament, up to {most_over_one} over the same bit of it."
    ),
}
register_sentences({f"readiness.{code}": sentence for code, sentence in SENTENCES.items()})
# Templates that are filled within a sentence.
CHANGED = _(
    "The job asks for up to {max_flow_mm3_s!n} mm³/s; the flow check of {checked_at!d} was made before a change of {parts}."
)
LOST = _(
    "The job asks for up to {max_flow_mm3_s!n} mm³/s; the flow check of {checked_at!d} lost {loss!p} {usable}."
)
UNUSUAL = _(
    "{count} retractions, {per_m!n} for each metre of filament, up to {most_over_one} over the same bit of it: {grounds} "
    "(common practice, no source)."
)
GROUNDS: dict[str, Any] = {
    "most_over_one": _("more than {limit_over_one} grind a bit of filament thin"),
    "per_m": _("more than {limit_per_m} a metre wear gears and filament"),
    "usual_mm": _(
        "the usual {usual_mm!n} mm are more than the {limit_usual_mm:g} mm for [guided?a long guide tube|a drive on the "
        "toolhead]"
    ),
}


@words_for("readiness.flow_checked_before_change")
def _checked_before_change(changed: Sequence[str], **values: Any) -> str:
    parts = format_list([str(PartKind.Role(role).label) for role in changed])
    return fill(CHANGED, **values, parts=parts)


@words_for("readiness.flow_lost", "readiness.flow_perhaps_lost")
def _flow_lost(max_flow_mm3_s: float, checked_at: str, loss: float, **usable: Any) -> str:
    shown = format_usable(Usable(loss, **usable))
    return fill(LOST, max_flow_mm3_s=max_flow_mm3_s, checked_at=checked_at, loss=loss, usable=shown)


@words_for("readiness.retractions_unusual")
def _retractions_unusual(over_limit: Sequence[str], **values: Any) -> str:
    grounds = "; ".join(fill(GROUNDS[name], **values) for name in over_limit)
    return fill(UNUSUAL, **values, grounds=grounds)
