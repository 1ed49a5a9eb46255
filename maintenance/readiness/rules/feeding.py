"""Rules about feeding: the flow that the toolhead delivers, and how the drive retracts."""

from maintenance.flow.curve import SAME_C, Usable
from maintenance.readiness.inputs import JobSpec, MaterialInputs, ToolheadInputs
from maintenance.readiness.verdict import CAUTION, CLEAR, HOLD, ReadinessCheck
from spools.wording import format_number

# Retractions that wear filament and gears, and lengths above which they are unusual (usual are about 1 mm or
# less with a drive on the toolhead, a few mm through a long tube). Common practice, no source.
MOST_OVER_ONE, MOST_PER_M = 10, 200
DIRECT_RETRACTION_MM, GUIDED_RETRACTION_MM = 2.0, 8.0
# A flow check older than this is weak evidence. Common practice, no source.
FLOW_OLD_DAYS = 60


def flow(material: MaterialInputs, toolhead: ToolheadInputs, job: JobSpec) -> ReadinessCheck | None:
    """The job's fastest flow against what the last flow check lost there; nothing when the job has none."""
    if job.max_flow_mm3_s is None:
        return None
    asks = f"The job asks up to {format_number(job.max_flow_mm3_s)} mm³/s"
    seen = toolhead.flow_checks.get(material.name)
    if seen is None:
        sentence = f"{asks}; there is no flow check of {material.name} on {toolhead.name}."
        return ReadinessCheck("flow", CAUTION, sentence, "Do a flow check, or print slowly.", "check_flow")
    asks = f"{asks}; the flow check of {seen.on}"
    again, slower = "Do the flow check again.", "Slow the job, or take another printer."
    at_5, at_10 = seen.at_5, seen.at_10
    if seen.changed:
        sentence = f"{asks} was made before a change of {seen.changed}."
        return ReadinessCheck("flow", CAUTION, sentence, again, "check_flow")
    if at_10.likely_mm3_s is not None and job.max_flow_mm3_s > at_10.likely_mm3_s:
        return ReadinessCheck("flow", HOLD, f"{asks} lost 10 % {usable_words(at_10)}.", slower, "change_job")
    if at_5.low_mm3_s is not None and job.max_flow_mm3_s > at_5.low_mm3_s:
        return ReadinessCheck("flow", CAUTION, f"{asks} lost 5 % {usable_words(at_5)}.", slower, "change_job")
    if job.max_flow_mm3_s > at_5.tested_mm3_s:
        sentence = f"{asks} went no further than {format_number(at_5.tested_mm3_s)} mm³/s."
        return ReadinessCheck("flow", CAUTION, sentence, "Slow the job, or check higher rates.", "change_job")
    if job.nozzle_c < seen.nozzle_c - SAME_C:
        sentence = f"{asks} was made at {seen.nozzle_c:.0f} °C, the job prints at {job.nozzle_c:.0f} °C."
        return ReadinessCheck(
            "flow", CAUTION, sentence, "Print as hot, or check the flow as cool.", "check_flow"
        )
    if seen.days_ago > FLOW_OLD_DAYS:
        sentence = f"{asks} is {seen.days_ago:.0f} days old, more than {FLOW_OLD_DAYS}."
        return ReadinessCheck("flow", CAUTION, sentence, again, "check_flow")
    surely = at_5.tested_mm3_s if at_5.low_mm3_s is None else at_5.low_mm3_s
    return ReadinessCheck("flow", CLEAR, f"{asks} lost less than 5 % up to {format_number(surely)} mm³/s.")


def usable_words(usable: Usable) -> str:
    """Where a loss is reached, such as "at 6.1 (5.4 to 7) mm³/s", or perhaps is, or that it is not."""
    low, likely, high = usable.low_mm3_s, usable.likely_mm3_s, usable.high_mm3_s
    tested = format_number(usable.tested_mm3_s)
    if low is None:
        return f"not up to {tested} mm³/s"
    if likely is None:
        return f"perhaps from {format_number(low)} mm³/s on, likely above {tested}"
    upper = f"over {tested}" if high is None else format_number(high)
    return f"at {format_number(likely)} ({format_number(low)} to {upper}) mm³/s"


def retraction(toolhead: ToolheadInputs, job: JobSpec) -> ReadinessCheck | None:
    """How the drive pulls back: often over the same bit, often in all, or far for the feed path."""
    back = job.retractions
    if back is None:
        return None
    path = "a long guide tube" if toolhead.guided else "a drive on the toolhead"
    usual_mm = GUIDED_RETRACTION_MM if toolhead.guided else DIRECT_RETRACTION_MM
    counted = f"{back.count} retractions, {format_number(back.per_m)} for each metre of filament"
    over_one = f"up to {back.most_over_one} over the same bit of it"
    reasons = []
    if back.most_over_one > MOST_OVER_ONE:
        reasons.append(f"more than {MOST_OVER_ONE} grind a bit of filament thin")
    if back.per_m > MOST_PER_M:
        reasons.append(f"more than {MOST_PER_M} a metre wear gears and filament")
    if back.usual_mm > usual_mm:
        reasons.append(
            f"the usual {format_number(back.usual_mm)} mm are more than the {usual_mm:g} mm for {path}"
        )
    if not reasons:
        return ReadinessCheck("retraction", CLEAR, f"{counted}, {over_one}.")
    sentence = f"{counted}, {over_one}: {'; '.join(reasons)} (common practice, no source)."
    return ReadinessCheck(
        "retraction", CAUTION, sentence, "Retract less often or shorter; look at the gears.", "change_job"
    )
