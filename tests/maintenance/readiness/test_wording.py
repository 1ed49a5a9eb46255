"""The sentences of readiness and purging: every code is rendered here, and only here are they compared."""

from dataclasses import replace

import pytest

from maintenance.readiness.verdict import HOLD, build_check, build_remedy
from spools.statements import Statement, join, list_codes

PRINTED = {
    "mass_g": 50,
    "likely_pct": 0.9,
    "low_pct": 0.7,
    "high_pct": 1.2,
    "polymer": "PA6",
    "clear_limit_pct": 0.5,
    "print_limit_pct": 0.75,
    "toolhead": "North T0",
}
FILAMENT = {"likely_g": 100.4, "low_g": 90, "high_g": 110, "job_g": 50, "tail_g": 1.24}
CUT = {
    "filler": "carbon fibre",
    "filler_hv": 340.0,
    "part": "brass nozzle",
    "part_hv": 105.0,
    "limit_hv": 126.0,
}
LIFE = {
    "part": "steel gears",
    "done": 49.0,
    "life_median": 100.0,
    "life_low": 30.0,
    "life_high": 300.0,
    "unit": "feed_km",
    "used_up_pct": 21.4,
}
COUNT = {
    "where": "North",
    "service": "belt check",
    "done": 101.0,
    "interval": 100.0,
    "unit": "hours",
    "recorded": False,
}
FLOW = {"max_flow_mm3_s": 12.0, "checked_at": "2026-11-03T12:00:00+00:00"}
BACK = {"count": 900, "per_m": 30.0, "most_over_one": 4}
OVERHEATED_POM = (
    " Overheated POM gives off formaldehyde: do not heat it so far, ventilate, and follow its maker's data sheet "
    "and local rules."
)
# Codes with the same words, values, sentence.
AHEAD = {"job": 1, "name": "lamp", "toolhead": "North T0", "spool": "7KD-4QM"}
AHEAD |= {"start": "2026-11-03T07:05:00+00:00", "end": "2026-11-03T09:05:00+00:00"}
SENTENCES = [
    (
        "readiness.of_spool",
        {
            "slot": 2,
            "spool": "7KD-4QM",
            "check": {"code": "readiness.no_spool", "values": {"toolhead": "North T0"}},
        },
        "Slot 2, 7KD-4QM: No spool is on North T0.",
    ),
    ("readiness.material_fits", {"polymer": "PA6", "nozzle_c": 265.0}, "265 °C at the nozzle suit PA6."),
    (
        "readiness.made_for_other_material",
        {"polymer": "PLA", "nozzle_c": 260.0, "intended": "PA6"},
        "The job is made for PA6; this is PLA.",
    ),
    (
        "readiness.made_for_other_material",
        {"polymer": "POM", "nozzle_c": 260.0, "intended": "PA6", "fumes": "formaldehyde"},
        f"The job is made for PA6; this is POM.{OVERHEATED_POM}",
    ),
    (
        "readiness.made_for_other_feedstock",
        {"polymer": "PLA", "nozzle_c": 205.0, "intended": "Example Works PLA grey"},
        "The job is made for Example Works PLA grey; this is another PLA.",
    ),
    (
        "readiness.nozzle_too_cold_to_flow",
        {"polymer": "PA6", "nozzle_c": 190.0, "flow_c": 219.0},
        "PA6 flows only from 219 °C on; the job asks for 190 °C at the nozzle.",
    ),
    (
        "readiness.nozzle_far_above_window",
        {"polymer": "PLA", "nozzle_c": 260.0, "min_c": 190.0, "max_c": 220.0},
        "The job's 260 °C at the nozzle is far above the 190 °C to 220 °C of PLA.",
    ),
    (
        "readiness.nozzle_far_above_window",
        {"polymer": "POM", "nozzle_c": 260.0, "min_c": 210.0, "max_c": 230.0, "fumes": "formaldehyde"},
        f"The job's 260 °C at the nozzle is far above the 210 °C to 230 °C of POM.{OVERHEATED_POM}",
    ),
    (
        "readiness.nozzle_outside_window",
        {"polymer": "POM", "nozzle_c": 232.0, "min_c": 210.0, "max_c": 230.0, "fumes": "formaldehyde"},
        f"The job's 232 °C at the nozzle is outside the 210 °C to 230 °C of POM.{OVERHEATED_POM}",
    ),
    (
        "readiness.looks_like_other_material",
        {},
        "This looks like a job for another material: take another spool, or another file.",
    ),
    (
        "readiness.no_common_temperature",
        {"cool": "PLA", "cool_max_c": 220.0, "hot": "ABS", "hot_min_c": 230.0},
        "ABS needs at least 230 °C and PLA at most 220 °C: on one nozzle each change between them leaves a plug or chars "
        "(common practice, no source).",
    ),
    (
        "readiness.mix_fits",
        {"polymers": ["PETG", "PLA"]},
        "A temperature suits PETG and PLA on one nozzle.",
    ),
    (
        "readiness.print_on_own_nozzles",
        {},
        "Print them through a nozzle each, or take materials that share a temperature.",
    ),
    (
        "readiness.enough_filament",
        {"likely_g": 500, "low_g": 480, "high_g": 520, "job_g": 60, "tail_g": 0.4, "purge_g": 7.5},
        "The spool holds 500 g (480 g to 520 g); the job needs 60 g, 7.5 g of them purged at changes of spool, and 0.4 g "
        "stay in the feed path.",
    ),
    ("readiness.take_other_spool_or_file", {}, "Take another spool, or another file."),
    ("readiness.in_no_run", {"spool": "K7M-4QX"}, "Spool K7M-4QX is not in a drying run."),
    (
        "readiness.in_run",
        {
            "dryer": "Warm box",
            "set_point_c": 75.0,
            "first_set_point_c": None,
            "first_h": None,
            "planned_end": "2026-11-30T18:00:00+00:00",
        },
        "It dries in Warm box at 75 °C, planned until 30 Nov 2026, 19:00.",
    ),
    (
        "readiness.in_run",
        {
            "dryer": "Warm box",
            "set_point_c": 75.0,
            "first_set_point_c": 50.0,
            "first_h": 4.0,
            "planned_end": "2026-11-30T18:00:00+00:00",
        },
        "It dries in Warm box at 50 °C for 4 h, then 75 °C, planned until 30 Nov 2026, 19:00.",
    ),
    (
        "readiness.print_from_dry_box",
        {},
        "It is dry now: print it from a dry box, or split the job.",
    ),
    (
        "readiness.feed_from",
        {"place": "Dry box"},
        "Feed it from Dry box while it prints: in its air it stays dry enough.",
    ),
    (
        "readiness.dry_throughout",
        {},
        "Only its outer turns are dry enough: dry all of it, or print a smaller job.",
    ),
    (
        "readiness.moisture_unknown",
        {"spool": "K7M-4QX", "print_limit_pct": 0.75},
        "The moisture of spool K7M-4QX is not known; the print limit is 0.75 %.",
    ),
    (
        "readiness.moisture_under_clear_limit",
        PRINTED | {"printed_before_g": 0.0, "after_h": 0.0},
        (
            "Printed in the air of North T0, the outer 50 g would hold 0.9 % (0.7 to 1.2 %); PA6 prints well "
            "up to 0.5 %."
        ),
    ),
    (
        "readiness.moisture_over_clear_limit",
        PRINTED | {"printed_before_g": 0.0, "after_h": 0.0},
        (
            "Printed in the air of North T0, the outer 50 g would hold 0.9 % (0.7 to 1.2 %); PA6 prints well "
            "up to 0.5 %, the print limit is 0.75 %."
        ),
    ),
    (
        "readiness.moisture_over_print_limit",
        PRINTED | {"printed_before_g": 140.2, "after_h": 5.6},
        (
            "Printed in the air of North T0, the 50 g after the first 140 g (5.6 h) would hold 0.9 % (0.7 to "
            "1.2 %); the print limit is 0.75 %."
        ),
    ),
    (
        "readiness.enough_filament readiness.perhaps_too_little_filament readiness.too_little_filament",
        FILAMENT,
        "The spool holds 100 g (90 g to 110 g); the job needs 50 g and 1.2 g stay in the feed path.",
    ),
    (
        "readiness.same_diameter readiness.other_diameter",
        {"file_mm": 1.75, "filament_mm": 2.85},
        "The job's file was read for filament of 1.75 mm; this is 2.85 mm.",
    ),
    ("readiness.no_spool", {"toolhead": "North T0"}, "No spool is on North T0."),
    (
        "readiness.too_few_toolheads",
        {"tool": 1, "printer": "North", "toolheads": 1},
        "The job uses the tools up to T1; North has T0 alone: one for each slot of its toolheads.",
    ),
    (
        "readiness.take_machine_with_slots",
        {"printer": "North", "slots": 2},
        "Take a printer with 2 slots, or make the file for fewer tools. If North has a spool changer, state its slots on "
        "the page of the toolhead.",
    ),
    (
        "readiness.no_nozzle",
        {"toolhead": "North T0"},
        "No nozzle is recorded on North T0; without one nothing can be printed.",
    ),
    (
        "readiness.gears_unrecorded",
        {"toolhead": "North T0"},
        "The drive gears of North T0 are not recorded, so their wear is not known.",
    ),
    (
        "readiness.liner_unrecorded",
        {"toolhead": "North T0"},
        "The PTFE liner of North T0 is not recorded, so its hot hours are not known.",
    ),
    (
        "readiness.no_hard_filler",
        {"polymer": "PA6", "part": "brass nozzle"},
        "PA6 has no hard filler that could cut the brass nozzle.",
    ),
    (
        "readiness.part_hardness_unknown",
        {"filler": "carbon fibre", "filler_hv": 340.0, "part": "brass nozzle"},
        "The hardness of the brass nozzle is not known; carbon fibre (340 HV) may cut it.",
    ),
    (
        "readiness.filler_cuts_part",
        CUT,
        "Carbon fibre has 340 HV; from 126 HV on it cuts the brass nozzle (105 HV).",
    ),
    (
        "readiness.filler_may_cut_part",
        CUT,
        "Carbon fibre may have up to 340 HV; from 126 HV on it cuts the brass nozzle (105 HV).",
    ),
    (
        "readiness.filler_too_soft_to_cut",
        CUT,
        "Carbon fibre has 340 HV; only from 126 HV on it cuts the brass nozzle (105 HV).",
    ),
    ("readiness.fit_hardened", {"role": "nozzle"}, "Fit a hardened nozzle."),
    ("readiness.fit_hardened", {"role": "gears"}, "Fit hardened drive gears."),
    (
        "readiness.fit_hardened_or_record_hardness",
        {"role": "gears"},
        "Fit hardened drive gears. Or add its hardness to the catalogue.",
    ),
    (
        "readiness.life_left readiness.life_perhaps_used_up readiness.life_used_up",
        LIFE,
        (
            "After this job the steel gears will have done 146 of an expected 298 (89 to 895) kg of filament: "
            "21 % likely to be used up by then."
        ),
    ),
    (
        "readiness.replace_part",
        {"role": "hot_end_fan", "in_stock": 2},
        "Replace the hot-end fan (2 in stock).",
    ),
    (
        "readiness.replace_part",
        {"role": "nozzle", "in_stock": 0},
        "Replace the nozzle (none in stock, reorder).",
    ),
    (
        "readiness.job_too_hot_for_machine",
        {"nozzle_c": 265.0, "limit_c": 250.0, "limited_by": "ptfe"},
        "The job asks for 265 °C at the nozzle; PTFE in the hot end allows 250 °C.",
    ),
    (
        "readiness.material_too_hot_for_machine",
        {"polymer": "PA6", "min_c": 245.0, "limit_c": 240.0, "limited_by": "hot_end"},
        "PA6 needs at least 245 °C; the hot end allows 240 °C.",
    ),
    (
        "readiness.bed_not_hot_enough",
        {"bed_c": 80.0, "limit_c": 60.0},
        "A bed of 80 °C is needed; this printer's reaches 60 °C.",
    ),
    (
        "readiness.nozzle_outside_window",
        {"polymer": "PA6", "nozzle_c": 240.0, "min_c": 245.0, "max_c": 290.0},
        "The job's 240 °C at the nozzle is outside the 245 °C to 290 °C of PA6.",
    ),
    (
        "readiness.bed_outside_window",
        {"polymer": "PA6", "bed_c": 40.0, "min_c": 50.0, "max_c": 100.0},
        "The job's bed of 40 °C is outside the 50 °C to 100 °C of PA6.",
    ),
    (
        "readiness.no_heat_margin",
        {"nozzle_c": 265.0, "limit_c": 267.0, "limited_by": "steel nozzle"},
        "265 °C leaves no margin: the steel nozzle allows 267 °C.",
    ),
    (
        "readiness.temperatures_fit",
        {"nozzle_c": 265.0, "bed_c": 80.0},
        "265 °C at the nozzle and 80 °C at the bed are within every limit.",
    ),
    ("readiness.has_enclosure", {"toolhead": "North T0"}, "North T0 has an enclosure."),
    ("readiness.needs_no_enclosure", {"polymer": "PA6"}, "PA6 needs no enclosure."),
    (
        "readiness.has_no_enclosure",
        {"toolhead": "North T0", "polymer": "ABS", "needs_enclosure": True, "emission": "styrene"},
        "ABS asks for an enclosure and gives off styrene; North T0 has no enclosure.",
    ),
    (
        "readiness.has_no_enclosure",
        {"toolhead": "North T0", "polymer": "ABS", "needs_enclosure": True, "emission": "low"},
        "ABS asks for an enclosure; North T0 has no enclosure.",
    ),
    (
        "readiness.flow_unchecked",
        {"max_flow_mm3_s": 12.0, "material": "PA6 with glass fibre", "toolhead": "North T0"},
        "The job asks for up to 12 mm³/s; there is no flow check of PA6 with glass fibre on North T0.",
    ),
    (
        "readiness.flow_checked_before_change",
        FLOW | {"changed": ["nozzle", "gears"]},
        (
            "The job asks for up to 12 mm³/s; the flow check of 3 Nov 2026 was made before a change of nozzle and"
            " drive gears."
        ),
    ),
    (
        "readiness.flow_lost",
        FLOW
        | {"loss": 0.1, "tested_mm3_s": 16.0, "low_mm3_s": 9.0, "likely_mm3_s": 10.0, "high_mm3_s": None},
        "The job asks for up to 12 mm³/s; the flow check of 3 Nov 2026 lost 10 % at 10 (9 to over 16) mm³/s.",
    ),
    (
        "readiness.flow_perhaps_lost",
        FLOW
        | {"loss": 0.05, "tested_mm3_s": 8.0, "low_mm3_s": 7.0, "likely_mm3_s": None, "high_mm3_s": None},
        (
            "The job asks for up to 12 mm³/s; the flow check of 3 Nov 2026 lost 5 % perhaps from 7 mm³/s on, "
            "likely above 8."
        ),
    ),
    (
        "readiness.flow_faster_than_checked",
        FLOW | {"tested_mm3_s": 8.0},
        "The job asks for up to 12 mm³/s; the flow check of 3 Nov 2026 went no further than 8 mm³/s.",
    ),
    (
        "readiness.flow_cooler_than_checked",
        FLOW | {"checked_c": 275.0, "nozzle_c": 265.0},
        (
            "The job asks for up to 12 mm³/s; the flow check of 3 Nov 2026 was made at 275 °C, the job prints at "
            "265 °C."
        ),
    ),
    (
        "readiness.flow_check_old",
        FLOW | {"days_ago": 61.3, "limit_days": 60},
        "The job asks for up to 12 mm³/s; the flow check of 3 Nov 2026 is 61 days old, more than 60.",
    ),
    (
        "readiness.flow_delivered",
        FLOW | {"up_to_mm3_s": 15.0},
        "The job asks for up to 12 mm³/s; the flow check of 3 Nov 2026 lost less than 5 % up to 15 mm³/s.",
    ),
    (
        "readiness.free_until",
        AHEAD,
        "lamp is planned on North T0 with 7KD-4QM for 3 Nov 2026, 08:05, after this job.",
    ),
    ("readiness.prints_until", AHEAD, "lamp prints on North T0 with 7KD-4QM until 3 Nov 2026, 10:05."),
    (
        "readiness.end_not_recorded",
        AHEAD,
        "lamp on North T0 with 7KD-4QM was to end at 3 Nov 2026, 10:05; its end is not recorded.",
    ),
    (
        "readiness.reserved_now",
        AHEAD,
        "Reserved for lamp on North T0 with 7KD-4QM, 3 Nov 2026, 08:05 to 3 Nov 2026, 10:05.",
    ),
    (
        "readiness.reserved_soon",
        AHEAD,
        "lamp is planned on North T0 with 7KD-4QM for 3 Nov 2026, 08:05, before this job would end.",
    ),
    (
        "readiness.plan_not_begun",
        AHEAD,
        "lamp was planned on North T0 with 7KD-4QM for 3 Nov 2026, 08:05 and did not start.",
    ),
    (
        "readiness.wait_or_take_other",
        {"until": AHEAD["end"]},
        "Wait until 3 Nov 2026, 10:05, or take another toolhead or spool.",
    ),
    (
        "readiness.set_flow_at_most",
        {"setting_mm3_s": 5.1},
        "Set at most 5.1 mm³/s for this filament, or take another printer.",
    ),
    (
        "readiness.soft_in_tube",
        {"polymer": "TPU 85A", "toolhead": "North T0"},
        (
            "TPU 85A is soft, and North T0 pushes it through a long tube, in which it springs and can buckle (common "
            "practice, no source)."
        ),
    ),
    (
        "readiness.soft_on_short_path",
        {"polymer": "TPU 85A", "toolhead": "North T0"},
        "TPU 85A is soft; the drive of North T0 sits at the hot end.",
    ),
    (
        "readiness.retractions_usual",
        BACK,
        "900 retractions, 30 for each metre of filament, up to 4 over the same bit of it.",
    ),
    (
        "readiness.retractions_unusual",
        BACK
        | {
            "usual_mm": 2.5,
            "over_limit": ["most_over_one", "usual_mm"],
            "limit_over_one": 10,
            "limit_per_m": 200,
            "limit_usual_mm": 2.0,
            "guided": False,
        },
        (
            "900 retractions, 30 for each metre of filament, up to 4 over the same bit of it: more than 10 "
            "grind a bit of filament thin; the usual 2.5 mm are more than the 2 mm for a drive on the "
            "toolhead (common practice, no source)."
        ),
    ),
    (
        "readiness.retractions_unusual",
        BACK
        | {
            "usual_mm": 8.5,
            "over_limit": ["per_m", "usual_mm"],
            "limit_over_one": 10,
            "limit_per_m": 200,
            "limit_usual_mm": 8.0,
            "guided": True,
        },
        (
            "900 retractions, 30 for each metre of filament, up to 4 over the same bit of it: more than 200 a"
            " metre wear gears and filament; the usual 8.5 mm are more than the 8 mm for a long guide tube "
            "(common practice, no source)."
        ),
    ),
    (
        "readiness.hot_end_count",
        COUNT,
        (
            "After this job North will have done 101 printing hours and no belt check is recorded; it is due after "
            "100."
        ),
    ),
    (
        "readiness.service_due",
        {
            "where": "North",
            "service": "belt check",
            "done": 101.0,
            "interval": 100.0,
            "unit": "hours",
            "recorded": True,
            "others": ["filter change", "look over"],
        },
        (
            "After this job North will have done 101 printing hours since its belt check; it is due after 100. Also "
            "due: filter change, look over."
        ),
    ),
    (
        "readiness.service_overdue",
        COUNT | {"others": []},
        (
            "After this job North will have done 101 printing hours and no belt check is recorded; it is due after "
            "100."
        ),
    ),
    (
        "readiness.no_service_due",
        {"toolhead": "North T0"},
        "No service of North T0 is due before this job ends.",
    ),
    (
        "purging.leftovers_do_not_melt",
        {"old": "PC", "nozzle_c": 205.0, "old_min_c": 270.0},
        "PC was in it last and flows from 270 °C on: at 205 °C its leftovers do not melt out.",
    ),
    (
        "purging.leftovers_give_off_fumes",
        {"old": "POM", "nozzle_c": 285.0, "old_max_c": 230.0, "fumes": "formaldehyde"},
        "POM was in it last: at 285 °C, above its 230 °C, it gives off formaldehyde.",
    ),
    (
        "purging.leftovers_char",
        {"old": "PLA", "nozzle_c": 285.0, "old_max_c": 230.0},
        "PLA was in it last and chars at 285 °C (230 °C at most).",
    ),
    (
        "purging.particles_come_out",
        {"old": "PLA", "filler": "carbon fibre"},
        "PLA with carbon fibre was in it last: its particles come out for a while.",
    ),
    (
        "purging.leftovers_melt",
        {"old": "PLA", "nozzle_c": 215.0, "old_max_c": 230.0},
        "PLA was in it last; it melts at 215 °C, too.",
    ),
    (
        "purging.with_new_material",
        {"new": "PLA", "purge_c": 220.0, "nozzle_c": 205.0},
        "Purge with PLA at 220 °C until the strand is smooth and of one colour, then go down to 205 °C.",
    ),
    (
        "purging.with_new_material_without_pause",
        {"new": "PLA", "purge_c": 240.0, "nozzle_c": 205.0, "new_max_c": 230.0},
        (
            "Purge with PLA at 240 °C until the strand is smooth and of one colour, without a pause: it bears"
            " no more than 230 °C for long. Then go down to 205 °C."
        ),
    ),
    (
        "purging.with_compound",
        {"new": "PLA", "purge_c": 270.0, "fumes": ""},
        (
            "Do not heat PLA to 270 °C: it would char. Purge at 270 °C with a purging compound or a material "
            "that bears it, until the strand is smooth and of one colour, clean with a cold pull, then load "
            "PLA."
        ),
    ),
    (
        "purging.with_compound",
        {"new": "POM", "purge_c": 270.0, "fumes": "formaldehyde"},
        (
            "Do not heat POM to 270 °C: it would give off formaldehyde. Purge at 270 °C with a purging "
            "compound or a material that bears it, until the strand is smooth and of one colour, clean with a"
            " cold pull, then load POM."
        ),
    ),
    (
        "purging.before_heating",
        {"old_min_c": 190.0, "old_max_c": 230.0, "nozzle_c": 285.0},
        "Purge at 190 °C to 230 °C before you heat to 285 °C, until the strand is smooth and of one colour.",
    ),
    (
        "purging.before_heating_and_ventilate",
        {"old_min_c": 210.0, "old_max_c": 230.0, "nozzle_c": 285.0},
        (
            "Purge at 210 °C to 230 °C before you heat to 285 °C, until the strand is smooth and of one colour; "
            "ventilate."
        ),
    ),
    ("purging.until_clean", {}, "Purge until the strand is smooth and of one colour."),
    (
        "purging.until_clean_and_again",
        {},
        (
            "Purge until the strand is smooth and of one colour, then once as much; they show in clear and "
            "thin-walled parts."
        ),
    ),
]


@pytest.mark.parametrize(("codes", "values", "sentence"), SENTENCES)
def test_the_sentence_of_a_statement_with_values(codes, values, sentence):
    for code in codes.split():
        assert Statement(code, values).sentence == sentence


def test_every_code_of_readiness_has_words():
    """Those that stand in no list above need no values."""
    known = {code for code in list_codes() if code.startswith(("readiness.", "purging."))}
    listed = {code for codes, _, _ in SENTENCES for code in codes.split()}
    assert listed <= known
    for code in known - listed:
        sentence = Statement(code).sentence
        assert sentence.endswith(".") and not set("{}") & set(sentence), code


def test_joined_statements_are_sentences_in_their_order():
    joined = join(Statement("purging.until_clean"), Statement("readiness.clean_hot_end"))
    assert joined.sentence.endswith("of one colour. Clean the hot end and record it.")


def test_a_check_of_one_spool_of_several_names_it():
    remedy = build_remedy("fit", "fit_nozzle")
    check = build_check("nozzle", HOLD, "no_nozzle", remedy, toolhead="North T0")
    assert replace(check, spool="K7M-4QX").sentence == f"K7M-4QX: {check.sentence}"
    assert check.advice == f"{check.sentence} {remedy.sentence}"
