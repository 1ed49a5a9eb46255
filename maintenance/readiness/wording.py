"""Words for the statements of readiness: checks, remedies and how a spool would be dried."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from maintenance.parts.wear_entries import scale_life
from maintenance.wear.wording import SERVICE_UNITS, format_heat_limiter
from spools.statements import words_for
from spools.wording import format_chance, format_number, format_set_points, format_time


def _fixed(sentences: dict[str, str]) -> None:
    """Registers sentences without values, by their codes."""
    for code, sentence in sentences.items():
        words_for(f"readiness.{code}")(lambda sentence=sentence: sentence)


_fixed(
    {
        "print_from_dry_box": "It is dry now: print it from a dry box, or split the job.",
        "looks_like_other_material": (
            "This looks like a job for another material: take another spool, or another file."
        ),
        "take_other_spool_or_file": "Take another spool, or another file.",
        "dry_throughout": "Only its outer turns are dry enough: dry all of it, or print a smaller job.",
        "record_places_or_dry": "Record where it has been, or dry it.",
        "take_other_spool_or_weigh": "Take another spool, or weigh this one.",
        "weigh_or_take_other_spool": "Weigh the spool, or take another one.",
        "take_other_spool_or_read_file_again": (
            "Take another spool, or read the file again for this diameter if it was made for it."
        ),
        "load_or_take_other_spool": "Load one, or check with another.",
        "print_on_own_nozzles": (
            "Print them through a nozzle each, or take materials that share a temperature."
        ),
        "take_other_printer": "Take another printer.",
        "change_job_temperature": "Change the job's temperature.",
        "print_cooler_or_take_other_printer": "Print cooler, or take another printer.",
        "ventilate": "Ventilate or extract; follow local rules.",
        "fit_nozzle": "Fit a nozzle, or record the one that is on it.",
        "record_gears": "Record which drive gears are on it.",
        "record_liner": "Record the liner that is in it.",
        "check_flow_or_print_slowly": "Do a flow check, or print slowly.",
        "check_flow_again": "Do the flow check again.",
        "print_as_hot_or_check_flow_as_cool": "Print as hot, or check the flow as cool.",
        "slow_job_or_check_faster": "Slow the job, or check higher rates.",
        "print_slowly_or_take_short_path": "Print it slowly, or on a toolhead with the drive at the hot end.",
        "retract_less": "Retract less often or shorter; look at the gears.",
        "clean_hot_end": "Clean the hot end and record it.",
        "do_service": "Do it and record it on the service page.",
    }
)


@words_for("readiness.in_no_run")
def _in_no_run(spool: str) -> str:
    return f"Spool {spool} is not in a drying run."


@words_for("readiness.in_run")
def _in_run(
    dryer: str, set_point_c: float, first_set_point_c: float | None, first_h: float | None, planned_end: str
) -> str:
    set_points = format_set_points(set_point_c, first_set_point_c, first_h)
    return f"It dries in {dryer} at {set_points}, planned until {format_time(_time(planned_end))}."


@words_for("readiness.moisture_unknown")
def _moisture_unknown(spool: str, print_limit_pct: float) -> str:
    return f"The moisture of spool {spool} is not known; the print limit is {print_limit_pct:g} %."


@words_for("readiness.feed_from")
def _feed_from(place: str) -> str:
    return f"Feed it from {place} while it prints: in its air it stays dry enough."


def _printed(
    *,
    mass_g: float,
    likely_pct: float,
    low_pct: float,
    high_pct: float,
    printed_before_g: float,
    after_h: float,
    toolhead: str,
    fed_from: str = "",
) -> str:
    turns = f"the outer {mass_g:.0f} g"
    if round(printed_before_g):
        turns = f"the {mass_g:.0f} g after the first {printed_before_g:.0f} g ({format_number(after_h)} h)"
    band = f"{format_number(likely_pct)} % ({format_number(low_pct)} to {format_number(high_pct)} %)"
    return f"Printed in the air of {fed_from or toolhead}, {turns} would hold {band}"


@words_for("readiness.moisture_under_clear_limit")
def _under_clear_limit(polymer: str, clear_limit_pct: float, print_limit_pct: float, **printed: Any) -> str:
    return f"{_printed(**printed)}; {polymer} prints well up to {clear_limit_pct:g} %."


@words_for("readiness.moisture_over_clear_limit")
def _over_clear_limit(polymer: str, clear_limit_pct: float, print_limit_pct: float, **printed: Any) -> str:
    well = f"{polymer} prints well up to {clear_limit_pct:g} %"
    return f"{_printed(**printed)}; {well}, the print limit is {print_limit_pct:g} %."


@words_for("readiness.moisture_over_print_limit")
def _over_print_limit(polymer: str, clear_limit_pct: float, print_limit_pct: float, **printed: Any) -> str:
    return f"{_printed(**printed)}; the print limit is {print_limit_pct:g} %."


@words_for(
    "readiness.enough_filament", "readiness.perhaps_too_little_filament", "readiness.too_little_filament"
)
def _filament(
    likely_g: float,
    low_g: float,
    high_g: float,
    job_g: float,
    tail_g: float,
    reserved_g: float = 0.0,
    purge_g: float = 0.0,
) -> str:
    purged = f", {format_number(purge_g)} g of them purged at changes of spool," if purge_g else ""
    reserved = f", {reserved_g:.0f} g of them reserved for other jobs" if reserved_g else ""
    return (
        f"The spool holds {likely_g:.0f} g ({low_g:.0f} to {high_g:.0f} g){reserved}; the job needs {job_g:.0f} g{purged} and "
        f"{tail_g:.1f} g stay in the feed path."
    )


@words_for("readiness.same_diameter", "readiness.other_diameter")
def _diameter(file_mm: float, filament_mm: float) -> str:
    return f"The job's file was read for filament of {file_mm:g} mm; this is {filament_mm:g} mm."


@words_for("readiness.no_spool")
def _no_spool(toolhead: str) -> str:
    return f"No spool is on {toolhead}."


@words_for("readiness.too_few_toolheads")
def _too_few_toolheads(tool: int, printer: str, toolheads: int) -> str:
    has = "T0 alone" if toolheads == 1 else f"T0 to T{toolheads - 1}"
    return f"The job uses the tools up to T{tool}; {printer} has {has}: one for each slot of its toolheads."


@words_for("readiness.take_machine_with_slots")
def _take_machine_with_slots(printer: str, slots: int) -> str:
    return (
        f"Take a printer with {slots} slots, or make the file for fewer tools. If {printer} has a spool changer, state "
        "its slots on the page of the toolhead."
    )


@words_for("readiness.no_nozzle")
def _no_nozzle(toolhead: str) -> str:
    return f"No nozzle is recorded on {toolhead}; without one nothing can be printed."


@words_for("readiness.gears_unrecorded")
def _gears_unrecorded(toolhead: str) -> str:
    return f"The drive gears of {toolhead} are not recorded, so their wear is not known."


@words_for("readiness.liner_unrecorded")
def _liner_unrecorded(toolhead: str) -> str:
    return f"The PTFE liner of {toolhead} is not recorded, so its hot hours are not known."


@words_for("readiness.no_hard_filler")
def _no_hard_filler(polymer: str, part: str) -> str:
    return f"{polymer} has no hard filler that could cut the {part}."


@words_for("readiness.part_hardness_unknown")
def _part_hardness_unknown(filler: str, filler_hv: float, part: str) -> str:
    return f"The hardness of the {part} is not known; {filler} ({filler_hv:.0f} HV) may cut it."


def _cutting_limit(limit_hv: float, part: str, part_hv: float) -> str:
    return f"from {limit_hv:.0f} HV on it cuts the {part} ({part_hv:.0f} HV)"


@words_for("readiness.filler_cuts_part")
def _filler_cuts(filler: str, filler_hv: float, **limit: Any) -> str:
    return f"{filler.capitalize()} has {filler_hv:.0f} HV; {_cutting_limit(**limit)}."


@words_for("readiness.filler_may_cut_part")
def _filler_may_cut(filler: str, filler_hv: float, **limit: Any) -> str:
    return f"{filler.capitalize()} may have up to {filler_hv:.0f} HV; {_cutting_limit(**limit)}."


@words_for("readiness.filler_too_soft_to_cut")
def _filler_too_soft(filler: str, filler_hv: float, **limit: Any) -> str:
    return f"{filler.capitalize()} has {filler_hv:.0f} HV; only {_cutting_limit(**limit)}."


@words_for("readiness.fit_hardened")
def _fit_hardened(role: str) -> str:
    return "Fit a hardened nozzle." if role == "nozzle" else "Fit hardened drive gears."


@words_for("readiness.fit_hardened_or_record_hardness")
def _fit_hardened_or_record(role: str) -> str:
    return f"{_fit_hardened(role)} Or add its hardness to the catalogue."


@words_for("readiness.life_left", "readiness.life_perhaps_used_up", "readiness.life_used_up")
def _life(
    part: str,
    done: float,
    life_median: float,
    life_low: float,
    life_high: float,
    unit: str,
    used_up_pct: float,
) -> str:
    factor, words = scale_life(unit, life_median)
    age, median, low, high = (
        format_number(factor * amount) for amount in (done, life_median, life_low, life_high)
    )
    return (
        f"After this job the {part} will have done {age} of an expected {median} ({low} to {high}) {words}: "
        f"{format_chance(used_up_pct)} likely to be used up by then."
    )


@words_for("readiness.replace_part")
def _replace_part(role: str, in_stock: int) -> str:
    stock = f"{in_stock} in stock" if in_stock else "none in stock, reorder"
    return f"Replace the {role.replace('_', ' ')} ({stock})."


@words_for("readiness.job_too_hot_for_machine")
def _job_too_hot(nozzle_c: float, limit_c: float, limited_by: str) -> str:
    limiter = format_heat_limiter(limited_by)
    return f"The job asks for {nozzle_c:.0f} °C at the nozzle; {limiter} allows {limit_c:.0f} °C."


@words_for("readiness.material_too_hot_for_machine")
def _material_too_hot(polymer: str, min_c: float, limit_c: float, limited_by: str) -> str:
    limiter = format_heat_limiter(limited_by)
    return f"{polymer} needs at least {min_c:.0f} °C; {limiter} allows {limit_c:.0f} °C."


@words_for("readiness.bed_not_hot_enough")
def _bed_not_hot_enough(bed_c: float, limit_c: float) -> str:
    return f"A bed of {bed_c:.0f} °C is needed; this printer's reaches {limit_c:.0f} °C."


@words_for("readiness.bed_outside_window")
def _bed_outside_window(polymer: str, bed_c: float, min_c: float, max_c: float) -> str:
    return f"The job's bed of {bed_c:.0f} °C is outside the {min_c:.0f} to {max_c:.0f} °C of {polymer}."


@words_for("readiness.no_heat_margin")
def _no_heat_margin(nozzle_c: float, limit_c: float, limited_by: str) -> str:
    return f"{nozzle_c:.0f} °C leaves no margin: {format_heat_limiter(limited_by)} allows {limit_c:.0f} °C."


@words_for("readiness.temperatures_fit")
def _temperatures_fit(nozzle_c: float, bed_c: float) -> str:
    return f"{nozzle_c:.0f} °C at the nozzle and {bed_c:.0f} °C at the bed are within every limit."


@words_for("readiness.has_enclosure")
def _has_enclosure(toolhead: str) -> str:
    return f"{toolhead} has an enclosure."


@words_for("readiness.needs_no_enclosure")
def _needs_no_enclosure(polymer: str) -> str:
    return f"{polymer} needs no enclosure."


@words_for("readiness.has_no_enclosure")
def _has_no_enclosure(toolhead: str, polymer: str, needs_enclosure: bool, emission: str) -> str:
    reasons = ["asks for an enclosure"] if needs_enclosure else []
    if emission != "low":
        reasons.append(f"gives off {emission}")
    return f"{polymer} {' and '.join(reasons)}; {toolhead} has no enclosure."


@words_for("readiness.hot_end_count", "readiness.service_due", "readiness.service_overdue")
def _service_count(
    where: str,
    service: str,
    done: float,
    interval: float,
    unit: str,
    recorded: bool,
    others: Sequence[str] = (),
) -> str:
    count = f"{format_number(done)} {SERVICE_UNITS[unit]}"
    since = f"since its {service}" if recorded else f"and no {service} is recorded"
    also = f" Also due: {', '.join(others)}." if others else ""
    return f"After this job {where} will have done {count} {since}; it is due after {format_number(interval)}.{also}"


@words_for("readiness.no_service_due")
def _no_service_due(toolhead: str) -> str:
    return f"No service of {toolhead} is due before this job ends."


def _time(iso: str) -> datetime:
    return datetime.fromisoformat(iso)
