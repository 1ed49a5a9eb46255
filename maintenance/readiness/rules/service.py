"""Rules about care of the machine: residue in the hot end, and services that are due."""

from typing import Any

from maintenance.readiness.inputs import JobSpec, MaterialInputs, ToolheadInputs
from maintenance.readiness.verdict import (
    CAUTION,
    CLEAR,
    HOLD,
    ReadinessCheck,
    Remedy,
    build_check,
    build_remedy,
)
from maintenance.wear.intervals import ServiceProgress, units_of_print
from maintenance.wear.purging import MaterialChange, assess_change
from spools.statements import Statement, join

CLEAN = Statement("readiness.clean_hot_end")
DO_SERVICE = build_remedy("service", "do_service")


def residue(material: MaterialInputs, toolhead: ToolheadInputs, job: JobSpec) -> ReadinessCheck | None:
    """Leftovers of a hotter material, and hot hours since the hot end was cleaned."""
    change, hot_end = material_change(material, toolhead, job.nozzle_c), toolhead.hot_end
    count = Statement("readiness.hot_end_count", _progress(hot_end, material, job)) if hot_end else None
    is_due = hot_end is not None and hot_end.due_after(_ahead(hot_end, material, job))
    if change is not None and change.matters:
        statements, remedies = [change.statement], [change.remedy]
        if count is not None and is_due:
            statements, remedies = [*statements, count], [*remedies, CLEAN]
        return ReadinessCheck("residue", CAUTION, join(*statements), Remedy("purge", join(*remedies)))
    if count is not None and is_due:
        return ReadinessCheck("residue", CAUTION, count, Remedy("clean", CLEAN))
    clear = [
        statement for statement in (count, change.statement if change else None) if statement is not None
    ]
    return ReadinessCheck("residue", CLEAR, join(*clear)) if clear else None


def service(material: MaterialInputs, toolhead: ToolheadInputs, job: JobSpec) -> ReadinessCheck | None:
    """Overdue and marked as stopping the machine: a hold. Due before the job ends: a caution."""
    if not toolhead.services:
        return None
    stopping = [since for since in toolhead.services if since.overdue and since.stops]
    due = stopping or [since for since in toolhead.services if since.due_after(_ahead(since, material, job))]
    if not due:
        return build_check("service", CLEAR, "no_service_due", toolhead=toolhead.name)
    first = max(due, key=lambda since: since.share)
    others = [since.service for since in due if since is not first]
    state, code = (HOLD, "service_overdue") if stopping else (CAUTION, "service_due")
    values = _progress(first, material, job)
    return build_check("service", state, code, DO_SERVICE, **values, others=others)


def _progress(since: ServiceProgress, material: MaterialInputs, job: JobSpec) -> dict[str, Any]:
    """How far along it will be when the job ends."""
    return {
        "where": since.where,
        "service": since.service,
        "done": since.used + _ahead(since, material, job),
        "interval": since.interval,
        "unit": since.unit,
        "recorded": since.recorded,
    }


def _ahead(since: ServiceProgress, material: MaterialInputs, job: JobSpec) -> float:
    """What the job adds to its count."""
    return units_of_print(since.unit, job.use, material.filament)


def material_change(
    material: MaterialInputs, toolhead: ToolheadInputs, nozzle_c: float
) -> MaterialChange | None:
    """The leftovers in the hot end for a material that is printed next at nozzle_c.

    None: nothing was loaded before, or the same feedstock, or it has been printed since its change.
    """
    if toolhead.slots > 1:
        # Any of the last print's materials may have come last: the worst counts.
        others = [fed.material for fed in toolhead.fed if fed.feedstock != material.feedstock]
        changes = [assess_change(old, material.purge, nozzle_c) for old in others]
        return max(changes, key=lambda change: (change.matters, change.gives_fumes), default=None)
    before = toolhead.fed
    if before and before[0].feedstock == material.feedstock:
        if before[0].printed:
            return None
        before = before[1:]
    if not before or before[0].feedstock == material.feedstock:
        return None
    return assess_change(before[0].material, material.purge, nozzle_c)
