"""Words for the statements of wear, and for units and parts that they name."""

from spools.sentences import register_sentences
from spools.statements import words_for

from .heat import HOT_END, PTFE

SERVICE_UNITS = {
    "hours": "printing hours",
    "hot_h": "hot hours",
    "feed_km": "km of filament",
    "prints": "prints",
    "days": "days",
}
CLEAN = "until the strand is smooth and of one colour"
SENTENCES = {
    "purging.leftovers_do_not_melt": "{old} was in it last and flows from {old_min_c:.0f} °C on: at {nozzle_c:.0f} "
    "°C its leftovers do not melt out.",
    "purging.leftovers_give_off_fumes": "{old} was in it last: at {nozzle_c:.0f} °C, above its {old_max_c:.0f} °C, "
    "it gives off {fumes}.",
    "purging.leftovers_char": "{old} was in it last and chars at {nozzle_c:.0f} °C ({old_max_c:.0f} °C at most).",
    "purging.particles_come_out": "{old} with {filler} was in it last: its particles come out for a while.",
    "purging.leftovers_melt": "{old} was in it last; it melts at {nozzle_c:.0f} °C, too.",
    "purging.with_new_material": "Purge with {new} at {purge_c:.0f} °C until the strand is smooth and of one colour, "
    "then go down to {nozzle_c:.0f} °C.",
    "purging.with_new_material_without_pause": "Purge with {new} at {purge_c:.0f} °C until the strand is smooth and "
    "of one colour, without a pause: it bears no more than {new_max_c:.0f} °C for long. Then go down to "
    "{nozzle_c:.0f} °C.",
    "purging.before_heating": "Purge at {old_min_c:.0f} to {old_max_c:.0f} °C before you heat to {nozzle_c:.0f} °C, "
    "until the strand is smooth and of one colour.",
    "purging.before_heating_and_ventilate": "Purge at {old_min_c:.0f} to {old_max_c:.0f} °C before you heat to "
    "{nozzle_c:.0f} °C, until the strand is smooth and of one colour; ventilate.",
    "purging.until_clean": "Purge until the strand is smooth and of one colour.",
    "purging.until_clean_and_again": "Purge until the strand is smooth and of one colour, then once as much; they "
    "show in clear and thin-walled parts.",
    "cold_pull.unknown": "For {polymer} no pull temperature is known here. Push it out at its print temperature with "
    "a purging compound, then with PLA, and pull that. {pla!w}",
}
register_sentences(SENTENCES)


def format_heat_limiter(limited_by: str) -> str:
    """The part that limits the heat, as by ``heat.hot_end_limit``."""
    return {HOT_END: "the hot end", PTFE: "PTFE in the hot end"}.get(limited_by, f"the {limited_by}")


@words_for("purging.with_compound")
def _with_compound(new: str, purge_c: float, fumes: str) -> str:
    harm = f"it would give off {fumes}" if fumes else "it would char"
    return (
        f"Do not heat {new} to {purge_c:.0f} °C: {harm}. Purge at {purge_c:.0f} °C with a purging compound "
        f"or a material that bears it, {CLEAN}, clean with a cold pull, then load {new}."
    )


@words_for("cold_pull.window")
def _cold_pull(polymer: str, stock: str | None, low_c: float, high_c: float) -> str:
    return (
        f"After {polymer}: fill the hot end with {stock or 'the same'} while it is at print temperature, let it cool "
        f"to {low_c:g} to {high_c:g} °C and pull the filament out in one go. Repeat until the tip comes out clean "
        "(common practice, no source)."
    )
