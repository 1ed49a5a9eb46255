"""The words of trouble: reasons for and against each cause, its test and its remedy."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from maintenance.models import PartKind, TroubleOutcome
from maintenance.parts.wear_entries import UNIT_WORDS, scale_life
from maintenance.trouble.causes import SYMPTOMS
from spools.sentences import register_sentences
from spools.statements import Statement, words_for
from spools.wording import format_chance, format_day, format_number, format_time

TYPICAL = {
    "telling": "telling sign",
    "often": "often seen with it",
    "sometimes": "sometimes seen with it",
    "hardly": "hardly ever comes of it",
}
HABITS = {
    "strings": "pulls strings easily",
    "soft_strings": "is soft and pulls strings",
    "drops": "clings to the nozzle and drops off as blobs",
    "chars": "chars quickly when it stands in the heat",
    "lifts": "shrinks and lifts at the corners",
    "sticks_to_pp": "sticks to little else than PP",
    "sticks_to_little": "sticks to very little and shrinks",
    "splits_in_draught": "splits between layers in a draught",
    "splits_in_cold": "splits between layers in a cold room",
}
TESTS = {
    "wet": "Push 20 cm by hand or by the menu into the air: a foamy strand, hissing or steam means wet. A dry one "
    "comes out clear and smooth.",
    "leftover": "Push 20 cm into the air at the old material's temperature: streaks or lumps of another colour.",
    "tangle": "Pull a metre off by hand where it stopped: it must run freely, without crossed or hooked turns.",
    "soft_filament": "Push it slowly by hand through the tube: it springs, and moves at the nozzle long after it moves "
    "at the drive. At a third of the speed the sign stays away.",
    "gears_dirty": "Look at the teeth with a lamp: plastic between them, dust below them.",
    "gears_worn": "Hold the filament back by hand while it feeds slowly: sound teeth pull on, worn ones slip and "
    "shave it. Rounded tips show under a lamp.",
    "residue": "Push slowly into the air: a strand that curls to one side or comes in pulses is half blocked. A "
    "cold pull shows the specks.",
    "hot_end_fan": "With the hot end hot, the fan must turn at once and blow; the fins above it stay cool enough to touch "
    "near (do not touch the hot end). A plug that softened above the nozzle is thicker than the filament.",
    "nozzle_worn": "Look at the tip through a lens: an oval or wide bore, a flat that is worn away. A drill shank "
    "or pin gauge of the next size must not enter it.",
    "liner": "Take the cold hot end apart and look at the liner's lower end: brown, soft, or wide.",
    "surface": "Wash it with hot water and soap, dry it, and print one layer where it failed.",
    "nature": "Print the same part with a dry spool of another polymer and its own settings: the sign stays away.",
}
REMEDIES = {
    "wet": "Dry it, then print the same part again.",
    "leftover": "Purge at the old material's temperature until the strand is of one colour.",
    "tangle": "Unwind to the crossing and free it, or take another spool.",
    "soft_filament": "Print it on a toolhead with the drive at the hot end, or much slower and with little retraction.",
    "gears_dirty": "Brush the teeth clean with the machine off.",
    "gears_worn": "Replace the drive gears by hardened ones and record the old ones as worn.",
    "residue": "Clean the hot end with a cold pull and record it.",
    "hot_end_fan": "Clean or replace the fan and record it; clear the plug.",
    "nozzle_worn": "Replace the nozzle and record the old one as worn.",
    "liner": "Replace the liner.",
    "surface": "Wash it; where that does not help, roughen or replace the surface.",
    "nature": "Nothing is broken: tune temperature, speed and retraction for it.",
}
OUTSIDE = {
    "short_retraction": "retraction too short or too slow",
    "hot_nozzle": "nozzle too hot",
    "no_z_lift": "no z-lift or slow travel moves",
    "far_too_hot_nozzle": "nozzle far too hot for this polymer",
    "cold_for_speed": "nozzle too cold for the speed",
    "much_cooling": "too much cooling",
    "low_flow": "flow or filament diameter set too low",
    "faster_than_melt": "faster than the hot end melts",
    "cold_nozzle": "nozzle too cold",
    "low_first_layer": "first layer so low that nothing comes out",
    "failed_fan": "a fan or heater that failed",
    "loose_cable": "a cable or belt that came loose",
    "draught": "a draught",
    "cold_or_fast": "nozzle too cold or too fast",
    "vibration": "vibration, a loose belt or screw",
    "seam": "seam, pressure or retraction settings",
    "bed_gap": "gap to the bed",
    "cold_bed": "bed too cold or not level",
    "fast_first_layer": "first layer too fast",
    "no_enclosure": "no enclosure, or one that is cool",
    "small_foot": "little contact with the bed: a brim helps",
    "sharp_bend": "a sharp bend or a rough edge on its way",
    "old_filament": "filament that grew brittle with age: bend a piece off the spool, a sound one does not break",
    "idler_too_tight": "the drive pressed too tight",
    "idler_too_loose": "the drive pressed too loose",
    "nozzle_on_bed": "nozzle so near the bed that it is closed",
    "end_of_filament": "no filament at the drive, or a piece that broke inside",
}
SENTENCES = {
    "trouble.moisture_unknown": "The moisture of the turns is not known. Record where the spool has been.",
    "trouble.never_dried": "It had not been dried since it came.",
    "trouble.same_spool_before": "The same spool was printed here before, without a change of material.",
    "trouble.loose_turns": "About {left_g:.0f} g were on the spool: no tight turns near the core.",
    "trouble.tight_turns": "Only about {left_g:.0f} g were on the spool: the turns near the core are tight.",
    "trouble.not_soft": "{polymer} is stiff enough for any feed path.",
    "trouble.drive_on_toolhead": "The drive sits on the toolhead: the way is short.",
    "trouble.soft_in_tube": "{polymer} is soft and the drive pushes it through a long tube (common practice, no source).",
    "trouble.no_ptfe": "No PTFE reaches into this hot end.",
    "trouble.other_polymer": "{polymer} does not usually do this.",
    "trouble.service_unknown": "Its last cleaning is not recorded.",
}
for subject, texts in [("test", TESTS), ("remedy", REMEDIES), ("outside", OUTSIDE)]:
    register_sentences({f"trouble_{subject}.{name}": text for name, text in texts.items()})
register_sentences(SENTENCES)
register_sentences({f"trouble_cause.{cause.value}": str(cause.label) for cause in TroubleOutcome.Cause})


@words_for("trouble.sign")
def _sign(sign: str, typical: str) -> str:
    return f"{SYMPTOMS[sign].capitalize()}: {TYPICAL[typical]}."


@words_for("trouble.found_before")
def _found_before(times: int, last_at: str) -> str:
    often = "once" if times == 1 else f"{times} times"
    return f"Found here {often} with such a sign, last on {format_day(datetime.fromisoformat(last_at))}."


@words_for("trouble.flow_check")
def _flow_check(checked_at: str, reason: Mapping[str, Any]) -> str:
    """reason: the statement of its diagnosis."""
    at = format_day(datetime.fromisoformat(checked_at))
    return f"The flow check of {at}: {Statement.from_data(reason).sentence}"


@words_for("trouble.outer_turns")
def _outer_turns(
    mass_g: float,
    water_pct: float,
    water_low_pct: float,
    water_high_pct: float,
    polymer: str,
    limit_clear_pct: float,
    limit_hold_pct: float,
    last_drying: Mapping[str, Any] | None,
) -> str:
    """last_drying: a statement."""
    band = f"{format_number(water_low_pct)} to {format_number(water_high_pct)} %"
    dried = f" {Statement.from_data(last_drying).sentence}" if last_drying else ""
    return (
        f"The wettest {mass_g:.0f} g that were printed held {format_number(water_pct)} % ({band}); {polymer} prints well up "
        f"to {limit_clear_pct:g} %, the print limit is {limit_hold_pct:g} %.{dried}"
    )


@words_for("trouble.last_dried")
def _last_dried(set_point_c: float, dried_h: float, until: str) -> str:
    at = format_time(datetime.fromisoformat(until))
    return f"It was last dried at {set_point_c:g} °C for {dried_h:.0f} h, until {at}."


@words_for("trouble.first_after_change")
def _first_after_change(change: dict[str, Any]) -> str:
    return f"It was the first print after a change. {Statement.from_data(change).sentence}"


@words_for("trouble.habit")
def _habit(polymer: str, habit: str) -> str:
    return f"{polymer} {HABITS[habit]}, even dry and on a sound machine (common practice, no source)."


@words_for("trouble.part_unknown")
def _part_unknown(role: str) -> str:
    return f"There is no record of its {PartKind.Role(role).label}, so the wear is not known."


@words_for("trouble.part_use")
def _part_use(
    part: str, age: float, unit: str, left: float, left_low: float, left_high: float, used_up_pct: float
) -> str:
    factor, words = scale_life(unit, left)
    done, likely, low, high = (format_number(factor * amount) for amount in (age, left, left_low, left_high))
    return (
        f"The {part} had done {done} {words}, with {likely} ({low} to {high}) left: {format_chance(used_up_pct)} likely to "
        "be used up."
    )


@words_for("trouble.part_cut")
def _part_cut(
    part: str, mass_g: float, fillers: Sequence[Mapping[str, Any]], hardness_hv: float | None
) -> str:
    """fillers: name and hardness_hv of each that cuts it."""
    cutting = " and ".join(f"{filler['name']} ({filler['hardness_hv']:.0f} HV)" for filler in fillers)
    cuts = "assumed to be cut by it: its hardness is not known"
    if hardness_hv is not None:
        cuts = f"hard enough to cut its {hardness_hv:.0f} HV"
    return f"{format_number(mass_g)} g with {cutting} had passed the {part}, {cuts}."


@words_for("trouble.service_progress")
def _service_progress(
    where: str, service: str, used: float, interval: float, unit: str, recorded: bool
) -> str:
    count = f"{format_number(used)} of {format_number(interval)} {UNIT_WORDS[unit]}"
    ago = f"since the last {service}" if recorded else f"and no {service} is recorded"
    return f"{where}: {count} {ago}."
