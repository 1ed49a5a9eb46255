"""Rules about care of the machine: residue in the hot end, and services that are due."""

from maintenance.readiness.inputs import JobSpec, MaterialInputs, ToolheadInputs
from maintenance.readiness.verdict import CAUTION, CLEAR, HOLD, ReadinessCheck
from maintenance.wear.intervals import ServiceProgress, units_of_print
from maintenance.wear.purging import MaterialChange, assess_change
from spools.wording import format_number


def residue(material: MaterialInputs, toolhead: ToolheadInputs, job: JobSpec) -> ReadinessCheck | None:
    """Leftovers of a hotter material, and hot hours since the hot end was cleaned."""
    change, hot_end = material_change(material, toolhead, job.nozzle_c), toolhead.hot_end
    if hot_end is None and change is None:
        return None
    sentences, remedies, action = [], [], ""
    if change is not None and change.matters:
        sentences, remedies, action = [change.sentence], [change.remedy], "purge"
    if hot_end is not None and hot_end.due_after(_ahead(hot_end, material, job)):
        sentences.append(_since(hot_end, material, job))
        remedies.append("Clean the hot end and record it.")
        action = action or "clean"
    if sentences:
        return ReadinessCheck("residue", CAUTION, " ".join(sentences), " ".join(remedies), action)
    last = change.sentence if change is not None else ""
    count = _since(hot_end, material, job) if hot_end is not None else ""
    return ReadinessCheck("residue", CLEAR, f"{count} {last}".strip())


def service(material: MaterialInputs, toolhead: ToolheadInputs, job: JobSpec) -> ReadinessCheck | None:
    """Overdue and marked as stopping the machine: a hold. Due before the job ends: a caution."""
    if not toolhead.services:
        return None
    stopping = [since for since in toolhead.services if since.overdue and since.stops]
    due = stopping or [since for since in toolhead.services if since.due_after(_ahead(since, material, job))]
    if not due:
        return ReadinessCheck("service", CLEAR, f"No service of {toolhead.name} is due before this job ends.")
    state = HOLD if stopping else CAUTION
    first = max(due, key=lambda since: since.share)
    others = [since.service for since in due if since is not first]
    also = f" Due, too: {', '.join(others)}." if others else ""
    return ReadinessCheck(
        "service",
        state,
        _since(first, material, job) + also,
        "Do it and record it on the service page.",
        "service",
    )


def _since(since: ServiceProgress, material: MaterialInputs, job: JobSpec) -> str:
    """How far along it will be when the job ends."""
    done = f"{format_number(since.used + _ahead(since, material, job))} of {format_number(since.interval)} {since.unit}"
    recorded = "" if since.recorded else ", which was never recorded"
    return f"After this job {since.where} will have done {done} since its {since.service}{recorded}."


def _ahead(since: ServiceProgress, material: MaterialInputs, job: JobSpec) -> float:
    """What the job adds to its count."""
    return units_of_print(since.counted, job.use, material.filament)


def material_change(
    material: MaterialInputs, toolhead: ToolheadInputs, nozzle_c: float
) -> MaterialChange | None:
    """The leftovers in the hot end for a material that is printed next at nozzle_c.

    None: nothing was loaded before, or the same feedstock, or it has been printed since its change.
    """
    before = toolhead.fed
    if before and before[0].feedstock == material.feedstock:
        if before[0].printed:
            return None
        before = before[1:]
    if not before or before[0].feedstock == material.feedstock:
        return None
    return assess_change(before[0].material, material.purge, nozzle_c)
