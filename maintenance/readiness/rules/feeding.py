"""Rules about feeding: the flow that the toolhead delivers, and how the drive retracts."""

from dataclasses import asdict
from typing import Any

from maintenance.flow.curve import SAME_C
from maintenance.readiness.inputs import JobSpec, MaterialInputs, ToolheadInputs
from maintenance.readiness.verdict import CAUTION, CLEAR, HOLD, ReadinessCheck, build_check, build_remedy
from maintenance.wear.feeding import is_soft

# Retractions that wear filament and gears, and lengths above which they are unusual (usual are about 1 mm or
# less with a drive on the toolhead, a few mm through a long tube). Common practice, no source.
MOST_OVER_ONE, MOST_PER_M = 10, 200
DIRECT_RETRACTION_MM, GUIDED_RETRACTION_MM = 2.0, 8.0
# A flow check older than this is weak evidence. Common practice, no source.
FLOW_OLD_DAYS = 60

CHECK_OR_SLOW = build_remedy("check_flow", "check_flow_or_print_slowly")
CHECK_AGAIN = build_remedy("check_flow", "check_flow_again")
CHECK_COOLER = build_remedy("check_flow", "print_as_hot_or_check_flow_as_cool")
CHECK_FASTER = build_remedy("change_job", "slow_job_or_check_faster")
SHORT_PATH = build_remedy("other_printer", "print_slowly_or_take_short_path")
RETRACT_LESS = build_remedy("change_job", "retract_less")


def flow(material: MaterialInputs, toolhead: ToolheadInputs, job: JobSpec) -> ReadinessCheck | None:
    """The job's fastest flow against what the last flow check lost there; nothing when the job has none."""
    flow_mm3_s = job.max_flow_mm3_s
    if flow_mm3_s is None:
        return None
    last = toolhead.flow_checks.get(material.name)
    values: dict[str, Any] = {"max_flow_mm3_s": flow_mm3_s}
    if last is None:
        values |= {"material": material.name, "toolhead": toolhead.name}
        return build_check("flow", CAUTION, "flow_unchecked", CHECK_OR_SLOW, **values)
    values["checked_at"] = last.at
    at_5, at_10 = last.at_5, last.at_10
    slow_down = build_remedy("change_job", "set_flow_at_most", setting_mm3_s=at_5.setting_mm3_s)
    if last.changed:
        return build_check(
            "flow", CAUTION, "flow_checked_before_change", CHECK_AGAIN, **values, changed=last.changed
        )
    if at_10.likely_mm3_s is not None and flow_mm3_s > at_10.likely_mm3_s:
        return build_check("flow", HOLD, "flow_lost", slow_down, **values, **asdict(at_10))
    if at_5.low_mm3_s is not None and flow_mm3_s > at_5.low_mm3_s:
        return build_check("flow", CAUTION, "flow_perhaps_lost", slow_down, **values, **asdict(at_5))
    if flow_mm3_s > at_5.tested_mm3_s:
        values["tested_mm3_s"] = at_5.tested_mm3_s
        return build_check("flow", CAUTION, "flow_faster_than_checked", CHECK_FASTER, **values)
    if job.nozzle_c < last.nozzle_c - SAME_C:
        values |= {"checked_c": last.nozzle_c, "nozzle_c": job.nozzle_c}
        return build_check("flow", CAUTION, "flow_cooler_than_checked", CHECK_COOLER, **values)
    if last.days_ago > FLOW_OLD_DAYS:
        values |= {"days_ago": last.days_ago, "limit_days": FLOW_OLD_DAYS}
        return build_check("flow", CAUTION, "flow_check_old", CHECK_AGAIN, **values)
    values["up_to_mm3_s"] = at_5.tested_mm3_s if at_5.low_mm3_s is None else at_5.low_mm3_s
    return build_check("flow", CLEAR, "flow_delivered", **values)


def feed_path(material: MaterialInputs, toolhead: ToolheadInputs, job: JobSpec) -> ReadinessCheck | None:
    """Soft filament through a long tube; nothing for any other."""
    if not is_soft(material.polymer):
        return None
    values: dict[str, Any] = {"polymer": material.polymer, "toolhead": toolhead.name}
    if toolhead.guided:
        return build_check("feed path", CAUTION, "soft_in_tube", SHORT_PATH, **values)
    return build_check("feed path", CLEAR, "soft_on_short_path", **values)


def retraction(toolhead: ToolheadInputs, job: JobSpec) -> ReadinessCheck | None:
    """How the drive pulls back: often over the same bit, often in all, or far for the feed path."""
    back = job.retractions
    if back is None:
        return None
    values: dict[str, Any] = {"count": back.count, "per_m": back.per_m, "most_over_one": back.most_over_one}
    usual_limit_mm = GUIDED_RETRACTION_MM if toolhead.guided else DIRECT_RETRACTION_MM
    over_limit = {
        "most_over_one": back.most_over_one > MOST_OVER_ONE,
        "per_m": back.per_m > MOST_PER_M,
        "usual_mm": back.usual_mm > usual_limit_mm,
    }
    if not any(over_limit.values()):
        return build_check("retraction", CLEAR, "retractions_usual", **values)
    values |= {
        "usual_mm": back.usual_mm,
        "over_limit": [name for name, is_over in over_limit.items() if is_over],
        "limit_over_one": MOST_OVER_ONE,
        "limit_per_m": MOST_PER_M,
        "limit_usual_mm": usual_limit_mm,
        "guided": toolhead.guided,
    }
    return build_check("retraction", CAUTION, "retractions_unusual", RETRACT_LESS, **values)
