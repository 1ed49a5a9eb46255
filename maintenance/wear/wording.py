"""Words for the statements of wear, and for units and parts that they name."""

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from spools.sentences import register_sentences
from spools.statements import words_for
from spools.wording import format_temperature

from .heat import HOT_END, PTFE

SERVICE_UNITS = {
    "hours": gettext_lazy("printing hours"),
    "hot_h": gettext_lazy("hot hours"),
    "feed_km": gettext_lazy("km of filament"),
    "prints": gettext_lazy("prints"),
    "days": gettext_lazy("days"),
}
SENTENCES = {
    "purging.leftovers_do_not_melt": gettext_lazy(
        "{old} was in it last and flows from {old_min_c!o} on: at {nozzle_c!o} its leftovers do not melt out."
    ),
    "purging.leftovers_give_off_fumes": gettext_lazy(
        "{old} was in it last: at {nozzle_c!o}, above its {old_max_c!o}, it gives off {fumes}."
    ),
    "purging.leftovers_char": gettext_lazy(
        "{old} was in it last and chars at {nozzle_c!o} ({old_max_c!o} at most)."
    ),
    "purging.particles_come_out": gettext_lazy(
        "{old} with {filler} was in it last: its particles come out for a while."
    ),
    "purging.leftovers_melt": gettext_lazy("{old} was in it last; it melts at {nozzle_c!o}, too."),
    "purging.with_new_material": gettext_lazy(
        "Purge with {new} at {purge_c!o} until the strand is smooth and of one colour, "
        "then go down to {nozzle_c!o}."
    ),
    "purging.with_new_material_without_pause": gettext_lazy(
        "Purge with {new} at {purge_c!o} until the strand is smooth and "
        "of one colour, without a pause: it bears no more than {new_max_c!o} for long. Then go down to "
        "{nozzle_c!o}."
    ),
    "purging.before_heating": gettext_lazy(
        "Purge at {old_min_c!o} to {old_max_c!o} before you heat to {nozzle_c!o}, "
        "until the strand is smooth and of one colour."
    ),
    "purging.before_heating_and_ventilate": gettext_lazy(
        "Purge at {old_min_c!o} to {old_max_c!o} before you heat to "
        "{nozzle_c!o}, until the strand is smooth and of one colour; ventilate."
    ),
    "purging.until_clean": gettext_lazy("Purge until the strand is smooth and of one colour."),
    "purging.until_clean_and_again": gettext_lazy(
        "Purge until the strand is smooth and of one colour, then once as much; they "
        "show in clear and thin-walled parts."
    ),
    "cold_pull.unknown": gettext_lazy(
        "For {polymer} no pull temperature is known here. Push it out at its print temperature with "
        "a purging compound, then with PLA, and pull that. {pla!w}"
    ),
}
register_sentences(SENTENCES)


def format_heat_limiter(limited_by: str) -> str:
    """The part that limits the heat, as by ``heat.hot_end_limit``."""
    return {HOT_END: _("the hot end"), PTFE: _("PTFE in the hot end")}.get(limited_by) or _(
        "the {part}"
    ).format(part=limited_by)


@words_for("purging.with_compound")
def _with_compound(new: str, purge_c: float, fumes: str) -> str:
    text = _(
        "Do not heat {new} to {temperature}: it would char. Purge at {temperature} with a purging compound or a material "
        "that bears it, until the strand is smooth and of one colour, clean with a cold pull, then load {new}."
    )
    if fumes:
        text = _(
            "Do not heat {new} to {temperature}: it would give off {fumes}. Purge at {temperature} with a purging compound "
            "or a material that bears it, until the strand is smooth and of one colour, clean with a cold pull, then load "
            "{new}."
        )
    return text.format(new=new, temperature=format_temperature(purge_c, 0), fumes=_(fumes))


@words_for("cold_pull.window")
def _cold_pull(polymer: str, stock: str | None, low_c: float, high_c: float) -> str:
    return _(
        "After {polymer}: fill the hot end with {stock} while it is at print temperature, let it cool to {low} to {high} "
        "and pull the filament out in one go. Repeat until the tip comes out clean (common practice, no source)."
    ).format(
        polymer=polymer,
        stock=stock or _("the same"),
        low=format_temperature(low_c),
        high=format_temperature(high_c),
    )
