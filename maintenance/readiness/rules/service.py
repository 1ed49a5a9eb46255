"""Rules about care of the machine: residue in the hot end, and services that are due."""

from maintenance.readiness.inputs import ReadinessInputs
from maintenance.readiness.verdict import CAUTION, CLEAR, HOLD, ReadinessCheck
from maintenance.wear.intervals import ServiceProgress
from spools.wording import format_number


def residue(s: ReadinessInputs) -> ReadinessCheck | None:
    """Leftovers of a hotter material, and hot hours since the hot end was cleaned."""
    if s.hot_end is None and s.change is None:
        return None
    sentences, remedies, action = [], [], ""
    if s.change is not None and s.change.matters:
        sentences, remedies, action = [s.change.sentence], [s.change.remedy], "purge"
    if s.hot_end is not None and s.hot_end.due_in_job:
        sentences.append(_since(s.hot_end))
        remedies.append("Clean the hot end and record it.")
        action = action or "clean"
    if sentences:
        return ReadinessCheck("residue", CAUTION, " ".join(sentences), " ".join(remedies), action)
    last = s.change.sentence if s.change is not None else ""
    count = _since(s.hot_end) if s.hot_end is not None else ""
    return ReadinessCheck("residue", CLEAR, f"{count} {last}".strip())


def service(s: ReadinessInputs) -> ReadinessCheck | None:
    """Overdue and marked as stopping the machine: a hold. Due before the job ends: a caution."""
    if not s.services:
        return None
    stopping = [since for since in s.services if since.overdue and since.stops]
    due = stopping or [since for since in s.services if since.due_in_job]
    if not due:
        return ReadinessCheck("service", CLEAR, f"No service of {s.toolhead} is due before this job ends.")
    state = HOLD if stopping else CAUTION
    first = max(due, key=lambda since: since.share)
    others = [since.service for since in due if since is not first]
    also = f" Due, too: {', '.join(others)}." if others else ""
    return ReadinessCheck(
        "service", state, _since(first) + also, "Do it and record it on the service page.", "service"
    )


def _since(since: ServiceProgress) -> str:
    """How far along it will be when the job ends."""
    done = f"{format_number(since.used + since.ahead)} of {format_number(since.interval)} {since.unit}"
    recorded = "" if since.recorded else ", which was never recorded"
    return f"After this job {since.where} will have done {done} since its {since.service}{recorded}."
