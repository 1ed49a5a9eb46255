"""Words for the statements of wear, and for units and parts that they name."""

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


def format_heat_limiter(limited_by: str) -> str:
    """The part that limits the heat, as by ``heat.hot_end_limit``."""
    return {HOT_END: "the hot end", PTFE: "PTFE in the hot end"}.get(limited_by, f"the {limited_by}")


@words_for("purging.leftovers_do_not_melt")
def _do_not_melt(old: str, old_min_c: float, nozzle_c: float) -> str:
    return (
        f"{old} was in it last and flows from {old_min_c:.0f} °C on: at {nozzle_c:.0f} °C its leftovers do "
        "not melt out."
    )


@words_for("purging.leftovers_give_off_fumes")
def _fumes(old: str, old_max_c: float, nozzle_c: float, fumes: str) -> str:
    return f"{old} was in it last: at {nozzle_c:.0f} °C, above its {old_max_c:.0f} °C, it gives off {fumes}."


@words_for("purging.leftovers_char")
def _chars(old: str, old_max_c: float, nozzle_c: float) -> str:
    return f"{old} was in it last and chars at {nozzle_c:.0f} °C ({old_max_c:.0f} °C at most)."


@words_for("purging.particles_come_out")
def _particles(old: str, filler: str) -> str:
    return f"{old} with {filler} was in it last: its particles come out for a while."


@words_for("purging.leftovers_melt")
def _melts(old: str, old_max_c: float, nozzle_c: float) -> str:
    return f"{old} was in it last; it melts at {nozzle_c:.0f} °C, too."


@words_for("purging.with_new_material")
def _with_new_material(new: str, purge_c: float, nozzle_c: float) -> str:
    return f"Purge with {new} at {purge_c:.0f} °C {CLEAN}, then go down to {nozzle_c:.0f} °C."


@words_for("purging.with_new_material_without_pause")
def _without_pause(new: str, new_max_c: float, purge_c: float, nozzle_c: float) -> str:
    return (
        f"Purge with {new} at {purge_c:.0f} °C {CLEAN}, without a pause: it bears no more than "
        f"{new_max_c:.0f} °C for long. Then go down to {nozzle_c:.0f} °C."
    )


@words_for("purging.with_compound")
def _with_compound(new: str, purge_c: float, fumes: str) -> str:
    harm = f"it would give off {fumes}" if fumes else "it would char"
    return (
        f"Do not heat {new} to {purge_c:.0f} °C: {harm}. Purge at {purge_c:.0f} °C with a purging compound "
        f"or a material that bears it, {CLEAN}, clean with a cold pull, then load {new}."
    )


def _before_heating(old_min_c: float, old_max_c: float, nozzle_c: float) -> str:
    return f"Purge at {old_min_c:.0f} to {old_max_c:.0f} °C before you heat to {nozzle_c:.0f} °C, {CLEAN}"


@words_for("purging.before_heating")
def _purge_first(old_min_c: float, old_max_c: float, nozzle_c: float) -> str:
    return f"{_before_heating(old_min_c, old_max_c, nozzle_c)}."


@words_for("purging.before_heating_and_ventilate")
def _purge_first_and_ventilate(old_min_c: float, old_max_c: float, nozzle_c: float) -> str:
    return f"{_before_heating(old_min_c, old_max_c, nozzle_c)}; ventilate."


@words_for("purging.until_clean")
def _until_clean() -> str:
    return f"Purge {CLEAN}."


@words_for("purging.until_clean_and_again")
def _until_clean_and_again() -> str:
    return f"Purge {CLEAN}, then once as much; they show in clear and thin-walled parts."
