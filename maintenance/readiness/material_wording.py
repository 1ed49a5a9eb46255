"""Words for the check of the material: is the job one for what is on the spool?"""

from collections.abc import Sequence

from spools.statements import words_for


def _overheated(polymer: str, fumes: str) -> str:
    if not fumes:
        return ""
    return (
        f" Overheated {polymer} gives off {fumes}: do not heat it so far, ventilate, and follow its maker's data "
        "sheet and local rules."
    )


@words_for("readiness.material_fits")
def _material_fits(polymer: str, nozzle_c: float) -> str:
    return f"{nozzle_c:.0f} °C at the nozzle suit {polymer}."


@words_for("readiness.made_for_other_material")
def _made_for_other_material(polymer: str, nozzle_c: float, intended: str, fumes: str = "") -> str:
    return f"The job is made for {intended}; this is {polymer}.{_overheated(polymer, fumes)}"


@words_for("readiness.made_for_other_feedstock")
def _made_for_other_feedstock(polymer: str, nozzle_c: float, intended: str) -> str:
    return f"The job is made for {intended}; this is another {polymer}."


@words_for("readiness.nozzle_too_cold_to_flow")
def _nozzle_too_cold(polymer: str, nozzle_c: float, flow_c: float) -> str:
    return f"{polymer} flows only from {flow_c:.0f} °C on; the job asks for {nozzle_c:.0f} °C at the nozzle."


@words_for("readiness.nozzle_far_above_window")
def _nozzle_far_above(polymer: str, nozzle_c: float, min_c: float, max_c: float, fumes: str = "") -> str:
    above = f"The job's {nozzle_c:.0f} °C at the nozzle is far above the {min_c:.0f} to {max_c:.0f} °C of {polymer}."
    return above + _overheated(polymer, fumes)


@words_for("readiness.nozzle_outside_window")
def _nozzle_outside_window(polymer: str, nozzle_c: float, min_c: float, max_c: float, fumes: str = "") -> str:
    outside = f"The job's {nozzle_c:.0f} °C at the nozzle is outside the {min_c:.0f} to {max_c:.0f} °C of {polymer}."
    return outside + _overheated(polymer, fumes)


@words_for("readiness.no_common_temperature")
def _no_common_temperature(cool: str, cool_max_c: float, hot: str, hot_min_c: float) -> str:
    return (
        f"{hot} needs at least {hot_min_c:.0f} °C and {cool} at most {cool_max_c:.0f} °C: on one nozzle each change "
        "between them leaves a plug or chars (common practice, no source)."
    )


@words_for("readiness.mix_fits")
def _mix_fits(polymers: Sequence[str]) -> str:
    return f"A temperature suits {' and '.join(polymers)} on one nozzle."
