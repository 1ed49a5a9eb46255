"""The words of trouble: reasons for and against each cause, its test and its remedy."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from django.utils.text import capfirst
from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _

from maintenance.models import PartKind, TroubleOutcome
from maintenance.parts.wear_entries import UNIT_WORDS, scale_life
from spools.sentences import register_sentences
from spools.statements import Statement, words_for
from spools.wording import format_chance, format_day, format_fixed, format_list, format_number

# Signs that a person can see on a print.
SIGNS = {
    "strings": _("fine strings between parts"),
    "pops": _("popping, steam or bubbles"),
    "gaps": _("gaps, thin lines or weak layers"),
    "skips": _("the drive skips, clicks or grinds"),
    "sudden": _("a sudden change in the middle"),
    "rough": _("a rough or matt surface"),
    "blobs": _("blobs, dark specks or drops"),
    "first_layer": _("a poor first layer"),
    "corners": _("corners lift off the bed"),
    "snapped": _("the filament snapped"),
    "nothing": _("nothing comes out"),
}
CHANCES = {"likely": _("likely"), "possible": _("possible"), "unlikely": _("unlikely")}
TYPICAL = {
    "telling": _("telling sign"),
    "often": _("often seen with it"),
    "sometimes": _("sometimes seen with it"),
    "hardly": _("hardly ever comes of it"),
}
# Of a polymer, even dry and on a sound machine.
HABITS = {
    "strings": _(
        "{polymer} pulls strings easily, even dry and on a sound machine (common practice, no source)."
    ),
    "soft_strings": _(
        "{polymer} is soft and pulls strings, even dry and on a sound machine (common practice, no source)."
    ),
    "drops": _(
        "{polymer} clings to the nozzle and drops off as blobs, even dry and on a sound machine (common practice, no "
        "source)."
    ),
    "chars": _(
        "{polymer} chars quickly when it stands in the heat, even dry and on a sound machine (common practice, no "
        "source)."
    ),
    "lifts": _(
        "{polymer} shrinks and lifts at the corners, even dry and on a sound machine (common practice, no source)."
    ),
    "sticks_to_pp": _(
        "{polymer} sticks to little else than PP, even dry and on a sound machine (common practice, no source)."
    ),
    "sticks_to_little": _(
        "{polymer} sticks to very little and shrinks, even dry and on a sound machine (common practice, no source)."
    ),
    "splits_in_draught": _(
        "{polymer} splits between layers in a draught, even dry and on a sound machine (common practice, no source)."
    ),
    "splits_in_cold": _(
        "{polymer} splits between layers in a cold room, even dry and on a sound machine (common practice, no source)."
    ),
}
TESTS = {
    "wet": _(
        "Push 20 cm by hand or by the menu into the air: a foamy strand, hissing or steam means wet. A dry one "
        "comes out clear and smooth."
    ),
    "leftover": _(
        "Push 20 cm into the air at the old material's temperature: streaks or lumps of another colour."
    ),
    "tangle": _(
        "Pull a metre off by hand where it stopped: it must run freely, without crossed or hooked turns."
    ),
    "soft_filament": _(
        "Push it slowly by hand through the tube: it springs, and moves at the nozzle long after it moves "
        "at the drive. At a third of the speed the sign stays away."
    ),
    "gears_dirty": _("Look at the teeth with a lamp: plastic between them, dust below them."),
    "gears_worn": _(
        "Hold the filament back by hand while it feeds slowly: sound teeth pull on, worn ones slip and "
        "shave it. Rounded tips show under a lamp."
    ),
    "residue": _(
        "Push slowly into the air: a strand that curls to one side or comes in pulses is half blocked. A "
        "cold pull shows the specks."
    ),
    "hot_end_fan": _(
        "With the hot end hot, the fan must turn at once and blow; the fins above it stay cool enough to touch "
        "near (do not touch the hot end). A plug that softened above the nozzle is thicker than the filament."
    ),
    "nozzle_worn": _(
        "Look at the tip through a lens: an oval or wide bore, a flat that is worn away. A drill shank "
        "or pin gauge of the next size must not enter it."
    ),
    "liner": _("Take the cold hot end apart and look at the liner's lower end: brown, soft, or wide."),
    "surface": _("Wash it with hot water and soap, dry it, and print one layer where it failed."),
    "nature": _(
        "Print the same part with a dry spool of another polymer and its own settings: the sign stays away."
    ),
}
REMEDIES = {
    "wet": _("Dry it, then print the same part again."),
    "leftover": _("Purge at the old material's temperature until the strand is of one colour."),
    "tangle": _("Unwind to the crossing and free it, or take another spool."),
    "soft_filament": _(
        "Print it on a toolhead with the drive at the hot end, or much slower and with little retraction."
    ),
    "gears_dirty": _("Brush the teeth clean with the machine off."),
    "gears_worn": _("Replace the drive gears by hardened ones and record the old ones as worn."),
    "residue": _("Clean the hot end with a cold pull and record it."),
    "hot_end_fan": _("Clean or replace the fan and record it; clear the plug."),
    "nozzle_worn": _("Replace the nozzle and record the old one as worn."),
    "liner": _("Replace the liner."),
    "surface": _("Wash it; where that does not help, roughen or replace the surface."),
    "nature": _("Nothing is broken: tune temperature, speed and retraction for it."),
}
OUTSIDE = {
    "short_retraction": _("retraction too short or too slow"),
    "hot_nozzle": _("nozzle too hot"),
    "no_z_lift": _("no z-lift or slow travel moves"),
    "far_too_hot_nozzle": _("nozzle far too hot for this polymer"),
    "cold_for_speed": _("nozzle too cold for the speed"),
    "much_cooling": _("too much cooling"),
    "low_flow": _("flow or filament diameter set too low"),
    "faster_than_melt": _("faster than the hot end melts"),
    "cold_nozzle": _("nozzle too cold"),
    "low_first_layer": _("first layer so low that nothing comes out"),
    "failed_fan": _("a fan or heater that failed"),
    "loose_cable": _("a cable or belt that came loose"),
    "draught": _("a draught"),
    "cold_or_fast": _("nozzle too cold or too fast"),
    "vibration": _("vibration, a loose belt or screw"),
    "seam": _("seam, pressure or retraction settings"),
    "bed_gap": _("gap to the bed"),
    "cold_bed": _("bed too cold or not level"),
    "fast_first_layer": _("first layer too fast"),
    "no_enclosure": _("no enclosure, or one that is cool"),
    "small_foot": _("little contact with the bed: a brim helps"),
    "sharp_bend": _("a sharp bend or a rough edge on its way"),
    "old_filament": _(
        "filament that grew brittle with age: bend a piece off the spool, a sound one does not break"
    ),
    "idler_too_tight": _("the drive pressed too tight"),
    "idler_too_loose": _("the drive pressed too loose"),
    "nozzle_on_bed": _("nozzle so near the bed that it is closed"),
    "end_of_filament": _("no filament at the drive, or a piece that broke inside"),
}
SENTENCES = {
    "trouble.moisture_unknown": _("The moisture of the turns is not known. Record where the spool has been."),
    "trouble.never_dried": _("It had not been dried since it came."),
    "trouble.same_spool_before": _("The same spool was printed here before, without a change of material."),
    "trouble.loose_turns": _("About {left_g!m} were on the spool: no tight turns near the core."),
    "trouble.tight_turns": _("Only about {left_g!m} were on the spool: the turns near the core are tight."),
    "trouble.not_soft": _("{polymer} is stiff enough for any feed path."),
    "trouble.drive_on_toolhead": _("The drive sits on the toolhead: the way is short."),
    "trouble.soft_in_tube": _(
        "{polymer} is soft and the drive pushes it through a long tube (common practice, no source)."
    ),
    "trouble.no_ptfe": _("No PTFE reaches into this hot end."),
    "trouble.other_polymer": _("{polymer} does not usually do this."),
    "trouble.service_unknown": _("Its last cleaning is not recorded."),
}
for subject, texts in [("test", TESTS), ("remedy", REMEDIES), ("outside", OUTSIDE)]:
    register_sentences({f"trouble_{subject}.{name}": text for name, text in texts.items()})
register_sentences(SENTENCES)
register_sentences({f"trouble_cause.{cause.value}": cause.label for cause in TroubleOutcome.Cause})
register_sentences({f"trouble_chance.{chance}": words for chance, words in CHANCES.items()})


@words_for("trouble.sign")
def _sign(sign: str, typical: str) -> str:
    return gettext("{sign}: {typical}.").format(sign=capfirst(str(SIGNS[sign])), typical=TYPICAL[typical])


@words_for("trouble.found_before")
def _found_before(times: int, last_at: str) -> str:
    day = format_day(datetime.fromisoformat(last_at))
    if times == 1:
        return gettext("Found here once with such a sign, last on {day}.").format(day=day)
    return gettext("Found here {times} times with such a sign, last on {day}.").format(times=times, day=day)


@words_for("trouble.flow_check")
def _flow_check(checked_at: str, reason: Mapping[str, Any]) -> str:
    """reason: the statement of its diagnosis."""
    return gettext("The flow check of {day}: {reason}").format(
        day=format_day(datetime.fromisoformat(checked_at)), reason=Statement.from_data(reason).sentence
    )


OUTER_TURNS = _(
    "The wettest {mass_g!m} that were printed held {water_pct!n} % ({water_low_pct!n} to {water_high_pct!n} %); {polymer} "
    "prints well up to {limit_clear_pct:g} %, the print limit is {limit_hold_pct:g} %.[ {last_drying!w}]"
)
OTHERS = {
    "trouble.outer_turns": OUTER_TURNS,
    "trouble.last_dried": _("It was last dried at {set_point_c!o} for {dried_h:.0f} h, until {until!t}."),
    "trouble.first_after_change": _("It was the first print after a change. {change!w}"),
}
register_sentences(OTHERS)


@words_for("trouble.habit")
def _habit(polymer: str, habit: str) -> str:
    return HABITS[habit].format(polymer=polymer)


@words_for("trouble.part_unknown")
def _part_unknown(role: str) -> str:
    part = PartKind.Role(role).label
    return gettext("There is no record of its {part}, so the wear is not known.").format(part=part)


@words_for("trouble.part_use")
def _part_use(
    part: str, age: float, unit: str, left: float, left_low: float, left_high: float, used_up_pct: float
) -> str:
    factor, words = scale_life(unit, left)
    done, likely, low, high = (format_number(factor * amount) for amount in (age, left, left_low, left_high))
    return gettext(
        "The {part} had done {done} {unit}, with {likely} ({low} to {high}) left: {chance} likely to be used up."
    ).format(
        part=gettext(part),
        done=done,
        unit=words,
        likely=likely,
        low=low,
        high=high,
        chance=format_chance(used_up_pct),
    )


@words_for("trouble.part_cut")
def _part_cut(
    part: str, mass_g: float, fillers: Sequence[Mapping[str, Any]], hardness_hv: float | None
) -> str:
    """fillers: name and hardness_hv of each that cuts it."""
    cutting = format_list(
        [f"{gettext(filler['name'])} ({filler['hardness_hv']:.0f} HV)" for filler in fillers]
    )
    values = {"mass": f"{format_number(mass_g)} g", "fillers": cutting, "part": gettext(part)}
    if hardness_hv is None:
        return gettext(
            "{mass} with {fillers} had passed the {part}, assumed to be cut by it: its hardness is not known."
        ).format(**values)
    return gettext(
        "{mass} with {fillers} had passed the {part}, hard enough to cut its {hardness} HV."
    ).format(**values, hardness=format_fixed(hardness_hv))


@words_for("trouble.service_progress")
def _service_progress(
    where: str, service: str, used: float, interval: float, unit: str, recorded: bool
) -> str:
    progress = gettext("{where}: {used} of {interval} {unit} and no {service} is recorded.")
    if recorded:
        progress = gettext("{where}: {used} of {interval} {unit} since the last {service}.")
    return progress.format(
        where=where,
        used=format_number(used),
        interval=format_number(interval),
        unit=UNIT_WORDS[unit],
        service=gettext(service),
    )
