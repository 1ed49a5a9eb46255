"""Rules about the spool: its drying run, moisture and mass; and the diameter of its material."""

from maintenance.readiness.inputs import (
    LEAST_JOB_G,
    JobSpec,
    MaterialInputs,
    OuterMoisture,
    PrintSite,
    SpoolInputs,
    ToolheadInputs,
)
from maintenance.readiness.verdict import CAUTION, CLEAR, HOLD, LIKELY, POSSIBLE, STATES, ReadinessCheck
from spools.wording import format_number

SAME_DIAMETER_MM = 0.2


def drying(spool: SpoolInputs, site: PrintSite, material: MaterialInputs, job: JobSpec) -> ReadinessCheck:
    if not spool.drying:
        return ReadinessCheck("drying", CLEAR, f"Spool {spool.code} is in no drying run.")
    return ReadinessCheck("drying", HOLD, spool.drying, spool.drying_remedy, "wait")


def moisture(spool: SpoolInputs, site: PrintSite, material: MaterialInputs, job: JobSpec) -> ReadinessCheck:
    """Now and at the end of the print, whichever is worse; now where they are alike."""
    if spool.now is None or site.end is None:
        sentence = f"The moisture of spool {spool.code} is not known; the print limit is {material.limit_hold_pct:g} %."
        return ReadinessCheck(
            "moisture", CAUTION, sentence, f"Record where it has been, or dry it. {spool.dry_advice}", "dry"
        )
    later = STATES.index(_wet_state(site.end)) > STATES.index(_wet_state(spool.now))
    wet = site.end if later else spool.now
    state = _wet_state(wet)
    when = (
        f"After {format_number(job.hours)} h of printing in the air of {site.toolhead} the"
        if later
        else "The"
    )
    verb = "would hold" if later else "hold"
    band = (
        f"{format_number(wet.likely_pct)} % ({format_number(wet.low_pct)} to {format_number(wet.high_pct)} %)"
    )
    well = f"{material.polymer} prints well up to {material.limit_clear_pct:g} %"
    limit = f"the print limit is {material.limit_hold_pct:g} %"
    limits = {CLEAR: well, CAUTION: f"{well}, {limit}", HOLD: limit}
    sentence = f"{when} outer {wet.mass_g:.0f} g {verb} {band}; {limits[state]}."
    return ReadinessCheck(
        "moisture", state, sentence, *(("", "") if state == CLEAR else (spool.dry_advice, "dry"))
    )


def _wet_state(wet: OuterMoisture) -> str:
    if wet.over_hold > LIKELY:
        return HOLD
    return CAUTION if wet.over_clear > POSSIBLE else CLEAR


def quantity(spool: SpoolInputs, site: PrintSite, material: MaterialInputs, job: JobSpec) -> ReadinessCheck:
    """The job and the tail that cannot be fed. A small job takes no more than the spool surely holds."""
    mass_g = job.mass_g
    if job.shrinks:
        mass_g = max(LEAST_JOB_G, min(mass_g, spool.low_g - site.tail_g))
    needed_g = mass_g + site.tail_g
    needs = f"the job needs {mass_g:.0f} g and {site.tail_g:.1f} g stay in the feed path"
    sentence = f"The spool holds {spool.likely_g:.0f} g ({spool.low_g:.0f} to {spool.high_g:.0f} g); {needs}."
    if spool.high_g < needed_g:
        return ReadinessCheck(
            "quantity", HOLD, sentence, "Take another spool, or weigh this one.", "other_spool"
        )
    if spool.low_g < needed_g:
        return ReadinessCheck("quantity", CAUTION, sentence, "Weigh the spool, or take another one.", "weigh")
    return ReadinessCheck("quantity", CLEAR, sentence)


def diameter(material: MaterialInputs, toolhead: ToolheadInputs, job: JobSpec) -> ReadinessCheck | None:
    """Filament of another diameter would come out in another amount."""
    if job.diameter_mm is None:
        return None
    sentence = f"The job's file was read for filament of {job.diameter_mm:g} mm; this is {material.filament.diameter_mm:g} mm."
    if abs(job.diameter_mm - material.filament.diameter_mm) <= SAME_DIAMETER_MM:
        return ReadinessCheck("diameter", CLEAR, sentence)
    remedy = "Take another spool, or read the file again for this diameter if it was made for it."
    return ReadinessCheck("diameter", HOLD, sentence, remedy, "other_spool")
