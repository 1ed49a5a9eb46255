"""Words for the check of the material: is the job one for what is on the spool?"""

from collections.abc import Sequence

from django.utils.translation import gettext, gettext_noop
from django.utils.translation import gettext_lazy as _

from spools.sentences import register_sentences
from spools.statements import words_for
from spools.wording import format_list, format_temperature

SENTENCES = {
    "material_fits": _("{nozzle_c!o} at the nozzle suit {polymer}."),
    "made_for_other_feedstock": _("The job is made for {intended}; this is another {polymer}."),
    "nozzle_too_cold_to_flow": _(
        "{polymer} flows only from {flow_c!o} on; the job asks for {nozzle_c!o} at the nozzle."
    ),
    "no_common_temperature": _(
        "{hot} needs at least {hot_min_c!o} and {cool} at most {cool_max_c!o}: on one nozzle each change between them "
        "leaves a plug or chars (common practice, no source)."
    ),
}
# Of the catalogue, as overheated materials give them off.
FUMES = [gettext_noop("acetic acid"), gettext_noop("formaldehyde"), gettext_noop("sulphur compounds")]
register_sentences({f"readiness.{code}": sentence for code, sentence in SENTENCES.items()})


def _warn(sentence: str, polymer: str, fumes: str) -> str:
    """The sentence, and that overheated material gives off fumes where it does."""
    if not fumes:
        return sentence
    caution = gettext(
        "Overheated {polymer} gives off {fumes}: do not heat it so far, ventilate, and follow its maker's data sheet and "
        "local rules."
    ).format(polymer=polymer, fumes=gettext(fumes))
    return f"{sentence} {caution}"


@words_for("readiness.made_for_other_material")
def _made_for_other_material(polymer: str, nozzle_c: float, intended: str, fumes: str = "") -> str:
    made = gettext("The job is made for {intended}; this is {polymer}.")
    return _warn(made.format(intended=intended, polymer=polymer), polymer, fumes)


@words_for("readiness.nozzle_far_above_window")
def _nozzle_far_above(polymer: str, nozzle_c: float, min_c: float, max_c: float, fumes: str = "") -> str:
    above = gettext("The job's {nozzle} at the nozzle is far above the {low} to {high} of {polymer}.")
    return _warn(_fill(above, polymer, nozzle_c, min_c, max_c), polymer, fumes)


@words_for("readiness.nozzle_outside_window")
def _nozzle_outside_window(polymer: str, nozzle_c: float, min_c: float, max_c: float, fumes: str = "") -> str:
    outside = gettext("The job's {nozzle} at the nozzle is outside the {low} to {high} of {polymer}.")
    return _warn(_fill(outside, polymer, nozzle_c, min_c, max_c), polymer, fumes)


def _fill(sentence: str, polymer: str, nozzle_c: float, min_c: float, max_c: float) -> str:
    nozzle, low, high = (format_temperature(celsius, 0) for celsius in (nozzle_c, min_c, max_c))
    return sentence.format(nozzle=nozzle, low=low, high=high, polymer=polymer)


@words_for("readiness.mix_fits")
def _mix_fits(polymers: Sequence[str]) -> str:
    return gettext("A temperature suits {polymers} on one nozzle.").format(polymers=format_list(polymers))
