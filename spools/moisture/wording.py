"""The words of the reasons for a spool's moisture."""

from collections.abc import Sequence
from datetime import datetime

from spools.sentences import register_sentences
from spools.statements import words_for
from spools.wording import format_time

ORIGIN = {
    "reading": "measured",
    "computed": "computed from its room and desiccant, no reading in the last 6 h",
    "assumed": "assumed, no reading in the last 6 h",
    "dryer": "in a drying run",
}
ARRIVED = {
    "sealed_card_dry": "it came sealed and its card was dry",
    "sealed_card_unread": "it came sealed, without a card that was read",
    "sealed_card_wet": "its card was wet",
    "open": "it came open",
}
OPENED_BY = {
    "stated": "somebody stated it",
    "loaded": "it was loaded then",
    "dried": "a drying run began",
    "taken": "filament was taken from it",
}
SENTENCES = {
    "moisture_reason.never_dried": "Not dried since it came.",
    "moisture_reason.grades": "Data on {polymer}: uptake of grade {uptake_grade}, rate of grade {rate_grade} (A: two "
    "sources agree, B: one good source, C: one weak or borrowed source, D: from memory).",
    "moisture_reason.feedstock_taught": "Learnt from weighed spools ({spools}): it takes up {w50_low_pct:.2g} to "
    "{w50_high_pct:.2g} % water at 50 % RH, its diffusivity at 23 °C is {d23_low_m2_s:.1e} to {d23_high_m2_s:.1e} m²/s, "
    "and a sealed spool arrives in equilibrium with {start_low_rh_pct:.0f} to {start_high_rh_pct:.0f} % RH (80 % ranges). "
    "Spools received from now on start with that.",
    "moisture_reason.taught": "Learnt from spools of this feedstock that were weighed before it came ({spools}).",
    "moisture_reason.never_weighed": "Never weighed: the ranges are those of the catalogue.",
}
DECIDED_BY = {
    "hygrometer": "the hygrometer of {place}, which may be off by 5 % RH: a salt check (75 % RH over wet table salt at "
    "25 °C) narrows it.",
    "checked_hygrometer": "the hygrometer of {place}, although it was checked: weigh the spool now and after its next "
    "drying.",
    "unmeasured_air": "the air of {place}, which nothing measures: put a hygrometer there.",
    "start_wetness": "its wetness on arrival: weigh it now and after its next drying, the loss shows its water.",
    "uptake": "how much water its material takes up: weigh it now and after its next drying.",
    "isotherm": "how much water its material takes up in dry air: weigh it now and after its next drying.",
    "diffusion": "how fast water moves in its material: weigh it now and after its next drying.",
    "pores": "the air between its turns: weigh it now and after its next drying.",
    "dryer_temperature": "the true temperature of {place}: measure it beside a spool, and state the error of the dryer.",
    "dryer_air": "the air that its dryer exchanges: state the air flow of the dryer, or weigh the spool now and after its "
    "next drying.",
}
RANGE = "{share_pct:.0f} % of its range comes from "
register_sentences(SENTENCES | {f"decided_by.{code}": RANGE + text for code, text in DECIDED_BY.items()})


@words_for("moisture_reason.air")
def _air(place: str, temperature_c: float, rh_pct: float, origin: str) -> str:
    return f"In {place}: {temperature_c:.0f} °C and {rh_pct:.0f} % RH, {ORIGIN[origin]}."


@words_for("moisture_reason.start")
def _start(rh_pct: float, rh_low_pct: float, rh_high_pct: float, arrived: str) -> str:
    return (
        f"Assumed to have arrived in equilibrium with {rh_pct:g} % RH ({rh_low_pct:g} to {rh_high_pct:g}): "
        f"{ARRIVED[arrived]} (common practice, no source; even a factory-sealed spool may be wet)."
    )


@words_for("moisture_reason.in_unopened_bag")
def _in_unopened_bag(place: str, since: str) -> str:
    return (
        f"In its unopened bag in {place}: it takes up and gives off nothing. Nothing recorded since it came on "
        f"{format_time(datetime.fromisoformat(since))} has opened the bag; loading, drying and printing do."
    )


@words_for("moisture_reason.bag_opened")
def _bag_opened(at: str, by: str) -> str:
    return f"Its bag counts as opened since {format_time(datetime.fromisoformat(at))}: {OPENED_BY[by]}."


@words_for("moisture_reason.last_dried")
def _last_dried(stages: Sequence[Sequence[float]], until: str) -> str:
    """stages: (°C, hours) of each."""
    dried = ", then ".join(f"at {set_point_c:g} °C for {hours:.0f} h" for set_point_c, hours in stages)
    return f"Last dried {dried}, until {format_time(datetime.fromisoformat(until))}."


@words_for("moisture_reason.weighings")
def _weighings(used: int, count: int) -> str:
    """used: of the weighings those that the recorded facts explain."""
    if used == count:
        narrow = "Its weighing narrows" if count == 1 else f"Its {count} weighings narrow"
    elif not used:
        narrow = "Its weighing does not narrow" if count == 1 else f"None of its {count} weighings narrows"
    else:
        narrow = f"{used} of its {count} weighings {'narrows' if used == 1 else 'narrow'}"
    return f"{narrow} the likely range; pairs around a drying run narrow it most."


@words_for("moisture_reason.unexplained_weighing")
def _unexplained(at: str, off_g: float) -> str:
    off = "more than anything recorded explains: another spool or reel on the scale, or a wrong weighing"
    if off_g < 0:
        off = "less than anything recorded explains: a print or a cut that was not recorded, or a wrong weighing"
    return (
        f"On {format_time(datetime.fromisoformat(at))} the scale read {abs(off_g):.0f} g {off}. It does not count for "
        "the water; a wrong weighing can be withdrawn in the history."
    )
