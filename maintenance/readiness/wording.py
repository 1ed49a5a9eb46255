"""Words for the statements of readiness: checks, remedies and how a spool would be dried."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from django.utils.text import capfirst
from django.utils.translation import gettext, pgettext
from django.utils.translation import gettext_lazy as _

from maintenance.models import PartKind
from maintenance.parts.wear_entries import scale_life
from maintenance.wear.wording import SERVICE_UNITS, format_heat_limiter
from spools.sentences import register_sentences
from spools.statements import words_for
from spools.wording import (
    format_chance,
    format_fixed,
    format_mass,
    format_number,
    format_set_points,
    format_temperature,
    format_time,
)

REMEDIES = {
    "print_from_dry_box": _("It is dry now: print it from a dry box, or split the job."),
    "looks_like_other_material": _(
        "This looks like a job for another material: take another spool, or another file."
    ),
    "take_other_spool_or_file": _("Take another spool, or another file."),
    "dry_throughout": _("Only its outer turns are dry enough: dry all of it, or print a smaller job."),
    "record_places_or_dry": _("Record where it has been, or dry it."),
    "take_other_spool_or_weigh": _("Take another spool, or weigh this one."),
    "weigh_or_take_other_spool": _("Weigh the spool, or take another one."),
    "take_other_spool_or_read_file_again": _(
        "Take another spool, or read the file again for this diameter if it was made for it."
    ),
    "load_or_take_other_spool": _("Load one, or check with another."),
    "print_on_own_nozzles": _(
        "Print them through a nozzle each, or take materials that share a temperature."
    ),
    "take_other_printer": _("Take another printer."),
    "change_job_temperature": _("Change the job's temperature."),
    "print_cooler_or_take_other_printer": _("Print cooler, or take another printer."),
    "ventilate": _("Ventilate or extract; follow local rules."),
    "fit_nozzle": _("Fit a nozzle, or record the one that is on it."),
    "record_gears": _("Record which drive gears are on it."),
    "record_liner": _("Record the liner that is in it."),
    "check_flow_or_print_slowly": _("Do a flow check, or print slowly."),
    "check_flow_again": _("Do the flow check again."),
    "print_as_hot_or_check_flow_as_cool": _("Print as hot, or check the flow as cool."),
    "slow_job_or_check_faster": _("Slow the job, or check higher rates."),
    "print_slowly_or_take_short_path": _("Print it slowly, or on a toolhead with the drive at the hot end."),
    "retract_less": _("Retract less often or shorter; look at the gears."),
    "clean_hot_end": _("Clean the hot end and record it."),
    "do_service": _("Do it and record it on the service page."),
}
CHECKS = {
    "in_no_run": _("Spool {spool} is not in a drying run."),
    "moisture_unknown": _(
        "The moisture of spool {spool} is not known; the print limit is {print_limit_pct:g} %."
    ),
    "feed_from": _("Feed it from {place} while it prints: in its air it stays dry enough."),
    "same_diameter": _("The job's file was read for filament of {file_mm:g} mm; this is {filament_mm:g} mm."),
    "other_diameter": _(
        "The job's file was read for filament of {file_mm:g} mm; this is {filament_mm:g} mm."
    ),
    "no_spool": _("No spool is on {toolhead}."),
    "take_machine_with_slots": _(
        "Take a printer with {slots} slots, or make the file for fewer tools. If {printer} has a spool changer, state its "
        "slots on the page of the toolhead."
    ),
    "no_nozzle": _("No nozzle is recorded on {toolhead}; without one nothing can be printed."),
    "gears_unrecorded": _("The drive gears of {toolhead} are not recorded, so their wear is not known."),
    "liner_unrecorded": _("The PTFE liner of {toolhead} is not recorded, so its hot hours are not known."),
    "no_hard_filler": _("{polymer} has no hard filler that could cut the {part!g}."),
    "part_hardness_unknown": _(
        "The hardness of the {part!g} is not known; {filler!g} ({filler_hv:.0f} HV) may cut it."
    ),
    "bed_not_hot_enough": _("A bed of {bed_c!o} is needed; this printer's reaches {limit_c!o}."),
    "bed_outside_window": _("The job's bed of {bed_c!o} is outside the {min_c!o} to {max_c!o} of {polymer}."),
    "temperatures_fit": _("{nozzle_c!o} at the nozzle and {bed_c!o} at the bed are within every limit."),
    "has_enclosure": _("{toolhead} has an enclosure."),
    "needs_no_enclosure": _("{polymer} needs no enclosure."),
    "of_spool": _("[Slot {slot}, ]{spool}: {check!w}"),
    "no_service_due": _("No service of {toolhead} is due before this job ends."),
}
register_sentences({f"readiness.{code}": sentence for code, sentence in (REMEDIES | CHECKS).items()})


@words_for("readiness.in_run")
def _in_run(
    dryer: str, set_point_c: float, first_set_point_c: float | None, first_h: float | None, planned_end: str
) -> str:
    return gettext("It dries in {dryer} at {set_points}, planned until {time}.").format(
        dryer=dryer,
        set_points=format_set_points(set_point_c, first_set_point_c, first_h),
        time=format_time(datetime.fromisoformat(planned_end)),
    )


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
    values = {
        "place": fed_from or toolhead,
        "mass": format_mass(mass_g),
        "likely": format_number(likely_pct),
        "low": format_number(low_pct),
        "high": format_number(high_pct),
    }
    if not round(printed_before_g):
        return gettext(
            "Printed in the air of {place}, the outer {mass} would hold {likely} % ({low} to {high} %)"
        ).format(**values)
    return gettext(
        "Printed in the air of {place}, the {mass} after the first {before} ({hours} h) would hold {likely} % ({low} to "
        "{high} %)"
    ).format(**values, before=format_mass(printed_before_g), hours=format_number(after_h))


@words_for("readiness.moisture_under_clear_limit")
def _under_clear_limit(polymer: str, clear_limit_pct: float, print_limit_pct: float, **printed: Any) -> str:
    return gettext("{printed}; {polymer} prints well up to {limit} %.").format(
        printed=_printed(**printed), polymer=polymer, limit=format_number(clear_limit_pct)
    )


@words_for("readiness.moisture_over_clear_limit")
def _over_clear_limit(polymer: str, clear_limit_pct: float, print_limit_pct: float, **printed: Any) -> str:
    return gettext(
        "{printed}; {polymer} prints well up to {limit} %, the print limit is {print_limit} %."
    ).format(
        printed=_printed(**printed),
        polymer=polymer,
        limit=format_number(clear_limit_pct),
        print_limit=format_number(print_limit_pct),
    )


@words_for("readiness.moisture_over_print_limit")
def _over_print_limit(polymer: str, clear_limit_pct: float, print_limit_pct: float, **printed: Any) -> str:
    return gettext("{printed}; the print limit is {print_limit} %.").format(
        printed=_printed(**printed), print_limit=format_number(print_limit_pct)
    )


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
    amounts = {"likely": format_mass(likely_g), "low": format_mass(low_g), "high": format_mass(high_g)}
    holds = gettext("The spool holds {likely} ({low} to {high})")
    if reserved_g:
        holds = gettext(
            "The spool holds {likely} ({low} to {high}), {reserved} of them reserved for other jobs"
        )
    needs = gettext("the job needs {job} and {tail} stay in the feed path.")
    if purge_g:
        needs = gettext(
            "the job needs {job}, {purge} of them purged at changes of spool, and {tail} stay in the feed path."
        )
    return f"{holds}; {needs}".format(
        **amounts,
        reserved=format_mass(reserved_g),
        job=format_mass(job_g),
        tail=format_mass(tail_g, 1),
        purge=format_mass(purge_g, -1),
    )


@words_for("readiness.too_few_toolheads")
def _too_few_toolheads(tool: int, printer: str, toolheads: int) -> str:
    values = {"tool": tool, "printer": printer, "last": toolheads - 1}
    if toolheads == 1:
        return gettext(
            "The job uses the tools up to T{tool}; {printer} has T0 alone: one for each slot of its toolheads."
        ).format(**values)
    return gettext(
        "The job uses the tools up to T{tool}; {printer} has T0 to T{last}: one for each slot of its toolheads."
    ).format(**values)


@words_for("readiness.filler_cuts_part")
def _filler_cuts(filler: str, filler_hv: float, limit_hv: float, part: str, part_hv: float) -> str:
    return gettext(
        "{filler} has {filler_hv} HV; from {limit_hv} HV on it cuts the {part} ({part_hv} HV)."
    ).format(**_hardness(filler, filler_hv, limit_hv, part, part_hv))


@words_for("readiness.filler_may_cut_part")
def _filler_may_cut(filler: str, filler_hv: float, limit_hv: float, part: str, part_hv: float) -> str:
    return gettext(
        "{filler} may have up to {filler_hv} HV; from {limit_hv} HV on it cuts the {part} ({part_hv} HV)."
    ).format(**_hardness(filler, filler_hv, limit_hv, part, part_hv))


@words_for("readiness.filler_too_soft_to_cut")
def _filler_too_soft(filler: str, filler_hv: float, limit_hv: float, part: str, part_hv: float) -> str:
    return gettext(
        "{filler} has {filler_hv} HV; only from {limit_hv} HV on it cuts the {part} ({part_hv} HV)."
    ).format(**_hardness(filler, filler_hv, limit_hv, part, part_hv))


def _hardness(filler: str, filler_hv: float, limit_hv: float, part: str, part_hv: float) -> dict[str, str]:
    hardness = {"filler_hv": filler_hv, "limit_hv": limit_hv, "part_hv": part_hv}
    shown = {name: format_fixed(value) for name, value in hardness.items()}
    return {"filler": capfirst(gettext(filler)), "part": gettext(part), **shown}


@words_for("readiness.fit_hardened")
def _fit_hardened(role: str) -> str:
    return gettext("Fit a hardened nozzle.") if role == "nozzle" else gettext("Fit hardened drive gears.")


@words_for("readiness.fit_hardened_or_record_hardness")
def _fit_hardened_or_record(role: str) -> str:
    record = gettext("Or add its hardness to the catalogue.")
    return f"{_fit_hardened(role)} {record}"


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
    return gettext(
        "After this job the {part} will have done {age} of an expected {median} ({low} to {high}) {unit}: {chance} likely "
        "to be used up by then."
    ).format(
        part=gettext(part),
        age=age,
        median=median,
        low=low,
        high=high,
        unit=words,
        chance=format_chance(used_up_pct),
    )


@words_for("readiness.replace_part")
def _replace_part(role: str, in_stock: int) -> str:
    part = str(PartKind.Role(role).label) if role in PartKind.Role.values else role.replace("_", " ")
    if in_stock:
        return gettext("Replace the {part} ({in_stock} in stock).").format(part=part, in_stock=in_stock)
    return gettext("Replace the {part} (none in stock, reorder).").format(part=part)


@words_for("readiness.job_too_hot_for_machine")
def _job_too_hot(nozzle_c: float, limit_c: float, limited_by: str) -> str:
    return gettext("The job asks for {nozzle} at the nozzle; {limiter} allows {limit}.").format(
        nozzle=format_temperature(nozzle_c, 0),
        limiter=format_heat_limiter(limited_by),
        limit=format_temperature(limit_c, 0),
    )


@words_for("readiness.material_too_hot_for_machine")
def _material_too_hot(polymer: str, min_c: float, limit_c: float, limited_by: str) -> str:
    return gettext("{polymer} needs at least {least}; {limiter} allows {limit}.").format(
        polymer=polymer,
        least=format_temperature(min_c, 0),
        limiter=format_heat_limiter(limited_by),
        limit=format_temperature(limit_c, 0),
    )


@words_for("readiness.no_heat_margin")
def _no_heat_margin(nozzle_c: float, limit_c: float, limited_by: str) -> str:
    return gettext("{nozzle} leaves no margin: {limiter} allows {limit}.").format(
        nozzle=format_temperature(nozzle_c, 0),
        limiter=format_heat_limiter(limited_by),
        limit=format_temperature(limit_c, 0),
    )


@words_for("readiness.has_no_enclosure")
def _has_no_enclosure(toolhead: str, polymer: str, needs_enclosure: bool, emission: str) -> str:
    values = {"toolhead": toolhead, "polymer": polymer, "emission": pgettext("emission", emission)}
    if emission == "low":
        return gettext("{polymer} asks for an enclosure; {toolhead} has no enclosure.").format(**values)
    if needs_enclosure:
        return gettext(
            "{polymer} asks for an enclosure and gives off {emission}; {toolhead} has no enclosure."
        ).format(**values)
    return gettext("{polymer} gives off {emission}; {toolhead} has no enclosure.").format(**values)


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
    count = gettext(
        "After this job {where} will have done {done} {unit} and no {service} is recorded; it is due after {interval}."
    )
    if recorded:
        count = gettext(
            "After this job {where} will have done {done} {unit} since its {service}; it is due after {interval}."
        )
    sentence = count.format(
        where=where,
        done=format_number(done),
        unit=SERVICE_UNITS[unit],
        service=gettext(service),
        interval=format_number(interval),
    )
    if not others:
        return sentence
    also = gettext("Also due: {services}.").format(services=", ".join(map(gettext, others)))
    return f"{sentence} {also}"
