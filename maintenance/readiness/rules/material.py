"""Rules about the spool: its drying run, moisture, mass and diameter."""

from maintenance.readiness.inputs import OuterMoisture, ReadinessInputs
from maintenance.readiness.verdict import CAUTION, CLEAR, HOLD, LIKELY, POSSIBLE, STATES, ReadinessCheck
from spools.wording import format_number

SAME_DIAMETER_MM = 0.2


def drying(s: ReadinessInputs) -> ReadinessCheck | None:
    if not s.drying:
        return ReadinessCheck("drying", CLEAR, f"Spool {s.spool} is in no drying run.")
    return ReadinessCheck("drying", HOLD, s.drying, s.drying_remedy, "wait")


def moisture(s: ReadinessInputs) -> ReadinessCheck:
    """Now and at the end of the print, whichever is worse; now where they are alike."""
    if s.now is None or s.end is None:
        sentence = f"The moisture of spool {s.spool} is not known; the print limit is {s.limit_hold_pct:g} %."
        return ReadinessCheck(
            "moisture", CAUTION, sentence, f"Record where it has been, or dry it. {s.dry_advice}", "dry"
        )
    later = STATES.index(_wet_state(s.end)) > STATES.index(_wet_state(s.now))
    wet = s.end if later else s.now
    state = _wet_state(wet)
    when = (
        f"After {format_number(s.job_hours)} h of printing in the air of {s.toolhead} the" if later else "The"
    )
    verb = "would hold" if later else "hold"
    band = (
        f"{format_number(wet.likely_pct)} % ({format_number(wet.low_pct)} to {format_number(wet.high_pct)} %)"
    )
    well = f"{s.polymer} prints well up to {s.limit_clear_pct:g} %"
    limit = f"the print limit is {s.limit_hold_pct:g} %"
    limits = {CLEAR: well, CAUTION: f"{well}, {limit}", HOLD: limit}
    sentence = f"{when} outer {wet.mass_g:.0f} g {verb} {band}; {limits[state]}."
    return ReadinessCheck(
        "moisture", state, sentence, *(("", "") if state == CLEAR else (s.dry_advice, "dry"))
    )


def _wet_state(wet: OuterMoisture) -> str:
    if wet.over_hold > LIKELY:
        return HOLD
    return CAUTION if wet.over_clear > POSSIBLE else CLEAR


def quantity(s: ReadinessInputs) -> ReadinessCheck:
    needed_g = s.job_mass_g + s.tail_g
    needs = f"the job needs {s.job_mass_g:.0f} g and {s.tail_g:.1f} g stay in the feed path"
    sentence = f"The spool holds {s.likely_g:.0f} g ({s.low_g:.0f} to {s.high_g:.0f} g); {needs}."
    if s.high_g < needed_g:
        return ReadinessCheck(
            "quantity", HOLD, sentence, "Take another spool, or weigh this one.", "other_spool"
        )
    if s.low_g < needed_g:
        return ReadinessCheck("quantity", CAUTION, sentence, "Weigh the spool, or take another one.", "weigh")
    return ReadinessCheck("quantity", CLEAR, sentence)


def diameter(s: ReadinessInputs) -> ReadinessCheck | None:
    """Filament of another diameter would come out in another amount."""
    if s.job_diameter_mm is None:
        return None
    sentence = (
        f"The job's file was read for filament of {s.job_diameter_mm:g} mm; this is {s.diameter_mm:g} mm."
    )
    if abs(s.job_diameter_mm - s.diameter_mm) <= SAME_DIAMETER_MM:
        return ReadinessCheck("diameter", CLEAR, sentence)
    remedy = "Take another spool, or read the file again for this diameter if it was made for it."
    return ReadinessCheck("diameter", HOLD, sentence, remedy, "other_spool")
