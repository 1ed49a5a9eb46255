"""Whether the toolhead and the spool are free: prints that run, and jobs that are planned."""

from maintenance.readiness.inputs import JobAhead, JobSpec, MaterialInputs, PrintSite, SpoolInputs
from maintenance.readiness.verdict import (
    CAUTION,
    CLEAR,
    HOLD,
    STATES,
    ReadinessCheck,
    build_check,
    build_remedy,
)

CODES = {
    (True, HOLD): "prints_until",
    (True, CAUTION): "end_not_recorded",
    (False, HOLD): "reserved_now",
    (False, CAUTION): "reserved_soon",
}


def busy(
    spool: SpoolInputs, site: PrintSite, material: MaterialInputs, job: JobSpec
) -> ReadinessCheck | None:
    """The job that stands most in the way, the earliest of such; nothing where none is ahead."""
    if not site.jobs:
        return None
    states = [find_busy_state(ahead, job.hours) for ahead in site.jobs]
    state = max(states, key=STATES.index)
    ahead = site.jobs[states.index(state)]
    values = {"job": ahead.job, "name": ahead.name, "toolhead": ahead.toolhead, "spool": ahead.spool}
    values |= {"start": ahead.start, "end": ahead.end}
    if state == CLEAR:
        return build_check("busy", CLEAR, "free_until", **values)
    code = CODES[ahead.printing, state]
    if not ahead.printing and ahead.ends_in_h <= 0:
        code = "plan_not_begun"
    if state == HOLD:
        remedy = build_remedy("wait", "wait_or_take_other", until=ahead.end)
    elif code == "reserved_soon":
        remedy = build_remedy("other_printer", "print_shorter_or_elsewhere")
    else:
        remedy = build_remedy("record", "record_end_of_print" if ahead.printing else "start_or_withdraw_plan")
    return build_check("busy", state, code, remedy, **values)


def find_busy_state(ahead: JobAhead, hours: float) -> str:
    """How another job stands in the way of one that would begin now and take so many hours."""
    if ahead.ends_in_h <= 0:
        # It was to be over: perhaps nobody recorded its end, or it never began.
        return CAUTION
    if ahead.printing or ahead.starts_in_h <= 0:
        return HOLD
    return CAUTION if ahead.starts_in_h < hours else CLEAR
