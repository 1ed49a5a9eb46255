"""Rules about the spool: its material, drying run, moisture and mass; and the diameter of its filament."""

from dataclasses import asdict, replace
from typing import Any

from maintenance.readiness.inputs import (
    LEAST_JOB_G,
    JobMoisture,
    JobSpec,
    MaterialInputs,
    PrintSite,
    SpoolInputs,
    ToolheadInputs,
)
from maintenance.readiness.verdict import (
    CAUTION,
    CLEAR,
    HOLD,
    LIKELY,
    POSSIBLE,
    STATES,
    ReadinessCheck,
    Remedy,
    build_check,
    build_remedy,
)
from spools.physics_inputs import is_undecided
from spools.statements import Statement, join

OTHER_MATERIAL = "other_spool", "looks_like_other_material"
CHANGE_TEMPERATURE = "change_job", "change_job_temperature"
SAME_DIAMETER_MM = 0.2
# A job so far above the window is one for another material. Common practice, no source.
FAR_ABOVE_K = 15.0
# Sooner where overheating sets harmful gas free: PVA decomposes 5 K above its window, POM at its upper end
# (fixtures/reference/thermal_values.csv).
FAR_ABOVE_WITH_FUMES_K = 5.0
MOISTURE_CODES = {
    CLEAR: "moisture_under_clear_limit",
    CAUTION: "moisture_over_clear_limit",
    HOLD: "moisture_over_print_limit",
}


def material(material: MaterialInputs, toolhead: ToolheadInputs, job: JobSpec) -> ReadinessCheck:
    """Whether the job is one for this material: by what it is made for, and by its nozzle temperature."""
    nozzle_c, intended = job.nozzle_c, job.intended
    flow_c = min(material.flow_c, material.nozzle_min_c)
    far_above_k = FAR_ABOVE_WITH_FUMES_K if material.overheated else FAR_ABOVE_K
    values: dict[str, Any] = {"polymer": material.polymer, "nozzle_c": nozzle_c}
    window = {"min_c": material.nozzle_min_c, "max_c": material.nozzle_max_c}
    # A job that states this very material is hardly one for another: its temperature is wrong.
    misfit_remedy = build_remedy(*(CHANGE_TEMPERATURE if intended else OTHER_MATERIAL))
    state, code, remedy = CLEAR, "material_fits", None
    if intended and intended.polymer != material.polymer:
        state, code = HOLD, "made_for_other_material"
        remedy = build_remedy("other_spool", "take_other_spool_or_file")
        values |= {"intended": intended.name}
    elif nozzle_c < flow_c:
        state, code, remedy = HOLD, "nozzle_too_cold_to_flow", misfit_remedy
        values |= {"flow_c": flow_c}
    elif nozzle_c >= material.nozzle_max_c + far_above_k:
        state, code, remedy = HOLD, "nozzle_far_above_window", misfit_remedy
        values |= window
    elif not material.nozzle_min_c <= nozzle_c <= material.nozzle_max_c:
        state, code, remedy = CAUTION, "nozzle_outside_window", build_remedy(*CHANGE_TEMPERATURE)
        values |= window
    elif intended and intended.feedstock not in (None, material.feedstock):
        state, code = CAUTION, "made_for_other_feedstock"
        remedy = build_remedy("other_spool", "take_other_spool_or_file")
        values |= {"intended": intended.name}
    if material.overheated and nozzle_c > material.nozzle_max_c:
        values |= {"fumes": material.overheated}
    return build_check("material", state, code, remedy, **values)


def drying(spool: SpoolInputs, site: PrintSite, material: MaterialInputs, job: JobSpec) -> ReadinessCheck:
    if spool.run is None:
        return build_check("drying", CLEAR, "in_no_run", spool=spool.code)
    return build_check(
        "drying",
        HOLD,
        "in_run",
        Remedy("wait", spool.dry_advice) if spool.dry_advice else None,
        **asdict(spool.run),
    )


def moisture(spool: SpoolInputs, site: PrintSite, material: MaterialInputs, job: JobSpec) -> ReadinessCheck:
    """Of the wettest turns that the job uses, each as it is printed."""
    if spool.now is None or site.printed is None:
        advice = [spool.dry_advice] if spool.dry_advice else []
        remedy = Remedy("dry", join(Statement("readiness.record_places_or_dry"), *advice))
        return build_check(
            "moisture",
            CAUTION,
            "moisture_unknown",
            remedy,
            spool=spool.code,
            print_limit_pct=material.limit_hold_pct,
        )
    wet = site.printed
    state = _wet_state(wet)
    check = build_check(
        "moisture",
        state,
        MOISTURE_CODES[state],
        None if state == CLEAR else _moisture_remedy(spool, spool.now, site, wet),
        polymer=material.polymer,
        mass_g=max(LEAST_JOB_G, min(wet.mass_g, spool.likely_g)),
        likely_pct=wet.likely_pct,
        low_pct=wet.low_pct,
        high_pct=wet.high_pct,
        clear_limit_pct=material.limit_clear_pct,
        print_limit_pct=material.limit_hold_pct,
        printed_before_g=wet.printed_before_g,
        after_h=job.hours * min(1.0, wet.printed_before_g / job.mass_g),
        toolhead=site.toolhead,
        **({"fed_from": site.fed_from} if site.fed_from else {}),
    )
    return (
        replace(check, decided_by=spool.decided_by) if is_undecided(wet.over_clear, wet.over_hold) else check
    )


def _moisture_remedy(
    spool: SpoolInputs, now: JobMoisture, site: PrintSite, printed: JobMoisture
) -> Remedy | None:
    """The advice; of a spool that is dry and gets too wet during the job, to print it otherwise."""
    state_now = _wet_state(now)
    if STATES.index(_wet_state(printed)) > STATES.index(state_now) and (
        remedy := _feed_remedy(site, printed)
    ):
        return remedy
    if spool.dry_advice is None:
        return None
    if spool.dry_advice.code != "advice.none_needed":
        return Remedy("dry", spool.dry_advice)
    if state_now == CLEAR:
        return build_remedy("change_job", "print_from_dry_box")
    # The advice calls it dry for a small job.
    return build_remedy("dry", "dry_throughout")


def _feed_remedy(site: PrintSite, printed: JobMoisture) -> Remedy | None:
    """To feed it from the place where it stays driest; None where that would not change the verdict."""
    best = min(
        site.feed_places,
        key=lambda place: (place.printed.over_hold, place.printed.over_clear),
        default=None,
    )
    if best is None or STATES.index(_wet_state(best.printed)) >= STATES.index(_wet_state(printed)):
        return None
    return Remedy("change_job", Statement("readiness.feed_from", {"place": best.name}))


def _wet_state(wet: JobMoisture) -> str:
    if wet.over_hold > LIKELY:
        return HOLD
    return CAUTION if wet.over_clear > POSSIBLE else CLEAR


def quantity(spool: SpoolInputs, site: PrintSite, material: MaterialInputs, job: JobSpec) -> ReadinessCheck:
    """The job and the tail that cannot be fed. A small job takes no more than the spool surely holds."""
    job_g = job.mass_g
    # What is reserved for other jobs is not there for this one.
    tied_g = site.tail_g + spool.reserved_g
    if job.shrinks:
        job_g = max(LEAST_JOB_G, min(job_g, spool.low_g - tied_g))
    state, code, remedy = CLEAR, "enough_filament", None
    # Not "less than the job and the tail": rounding would hold a small job on a spool of a known mass.
    if spool.high_g - tied_g < job_g:
        state, code = HOLD, "too_little_filament"
        remedy = build_remedy("other_spool", "take_other_spool_or_weigh")
    elif spool.low_g - tied_g < job_g:
        state, code = CAUTION, "perhaps_too_little_filament"
        remedy = build_remedy("weigh", "weigh_or_take_other_spool")
    return build_check(
        "quantity",
        state,
        code,
        remedy,
        likely_g=spool.likely_g,
        low_g=spool.low_g,
        high_g=spool.high_g,
        job_g=job_g,
        tail_g=site.tail_g,
        **({"reserved_g": spool.reserved_g} if spool.reserved_g else {}),
        **({"purge_g": job.purge_g} if job.purge_g else {}),
    )


def diameter(material: MaterialInputs, toolhead: ToolheadInputs, job: JobSpec) -> ReadinessCheck | None:
    """Filament of another diameter would come out in another amount."""
    if job.diameter_mm is None:
        return None
    values = {"file_mm": job.diameter_mm, "filament_mm": material.filament.diameter_mm}
    if abs(values["file_mm"] - values["filament_mm"]) <= SAME_DIAMETER_MM:
        return build_check("diameter", CLEAR, "same_diameter", **values)
    remedy = build_remedy("other_spool", "take_other_spool_or_read_file_again")
    return build_check("diameter", HOLD, "other_diameter", remedy, **values)
