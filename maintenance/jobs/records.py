"""Jobs: prints that were made. They take grams from a spool and wear the parts that its filament passed."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, NotRequired, TypedDict, Unpack

from django.db import transaction
from django.db.models import Q

from maintenance import limits
from maintenance.changes import SUBJECTS, facts_changed, toolheads_changed
from maintenance.checks import require_loaded
from maintenance.machines.loading import require_no_hold
from maintenance.models import Job, JobFile, JobUse, Toolhead
from maintenance.parts.wear_entries import recount_wear
from maintenance.readiness.builder import verdict
from maintenance.readiness.inputs import JobSpec
from maintenance.readiness.verdict import Verdict, encode_checks
from spools.checks import lock_spool, lock_spool_facts, require_past_time, require_within
from spools.codes import pretty
from spools.facts import follows_withdrawal
from spools.inventory.ledger import take, withdraw_printed
from spools.models import Spool
from spools.refusals import refusal
from spools.statements import Statement


class PrintNumbers(TypedDict):
    """The numbers of a print. retracted_m: filament pulled back by all its retractions together, if known."""

    mass_g: float
    hours: float
    nozzle_c: float
    bed_c: float
    max_flow_mm3_s: NotRequired[float | None]
    retracted_m: NotRequired[float | None]


@transaction.atomic
def record_job(
    *,
    toolhead: Toolhead,
    spool: Spool,
    name: str,
    start: datetime | None = None,
    override_reason: str = "",
    by: Any = None,
    **numbers: Unpack[PrintNumbers],
) -> Job:
    """Records a print with the verdict at its start: the spool gives its grams, the fitted parts wear.

    Refused: a spool that was not loaded there then, more than it can hold, a hold without a reason, numbers
    that no print has.
    """
    spec = JobSpec(
        numbers["mass_g"],
        numbers["hours"],
        numbers["nozzle_c"],
        numbers["bed_c"],
        numbers.get("max_flow_mm3_s"),
    )
    share = JobShare(toolhead, spool, spec, retracted_m=numbers.get("retracted_m"))
    return store_job([share], name=name, start=start, override_reason=override_reason, by=by)


@dataclass(frozen=True)
class JobShare:
    """The share of one spool in a job, through one toolhead. later: it is loaded while the job runs.

    retracted_m: filament pulled back by all its retractions together, where that is known.
    """

    toolhead: Toolhead
    spool: Spool
    spec: JobSpec
    later: bool = False
    retracted_m: float | None = None

    def __post_init__(self) -> None:
        if self.retracted_m is not None:
            require_within("retracted_m", self.retracted_m, *limits.RETRACTED_M)


@transaction.atomic
def store_job(
    shares: Sequence[JobShare],
    *,
    name: str,
    start: datetime | None = None,
    override_reason: str = "",
    by: Any = None,
    file: JobFile | None = None,
    stopped: Statement | None = None,
) -> Job:
    """Records a print of one spool or several on one printer. Refused: as record_job."""
    name, override_reason = _require_text("name", name, 120), override_reason.strip()
    lock_spool_facts()
    toolheads = {
        toolhead.pk: toolhead
        for toolhead in Toolhead.objects.select_for_update(no_key=True, of=("self",))
        .select_related("printer")
        .filter(pk__in=[share.toolhead.pk for share in shares])
        .order_by("pk")
    }
    spools = {pk: lock_spool(spool) for pk, spool in sorted({s.spool.pk: s.spool for s in shares}.items())}
    shares = [replace(s, toolhead=toolheads[s.toolhead.pk], spool=spools[s.spool.pk]) for s in shares]
    start = require_past_time(start, field="start")
    for share in shares:
        require_start_time(share.toolhead, share.spool, start, later=share.later)
    job_verdict = combine_verdicts(
        [(s.spool, verdict(s.toolhead, s.spool, s.spec, at=start)) for s in shares]
    )
    require_no_hold(job_verdict, override_reason, "recorded")
    specs = [share.spec for share in shares]
    job = Job.objects.create(
        printer=shares[0].toolhead.printer,
        name=name,
        start=start,
        hours=max(spec.hours for spec in specs),
        nozzle_c=max(spec.nozzle_c for spec in specs),
        bed_c=max(spec.bed_c for spec in specs),
        max_flow_mm3_s=max((spec.max_flow_mm3_s for spec in specs if spec.max_flow_mm3_s), default=None),
        state=job_verdict.state,
        reasons=encode_checks(job_verdict.checks),
        override_reason=override_reason,
        recorded_by=by,
        file=file,
        stopped=stopped,
    )
    for share in shares:
        entry = take(share.spool, share.spec.mass_g, at=start, note=f"job {name}", by=by)
        JobUse.objects.create(
            job=job,
            toolhead=share.toolhead,
            spool=share.spool,
            mass_g=share.spec.mass_g,
            retracted_m=share.retracted_m,
            entry=entry,
        )
    _update_wear(job)
    return job


def combine_verdicts(verdicts: Sequence[tuple[Spool | None, Verdict]]) -> Verdict:
    """One verdict for a job of several spools: all checks, each with the spool that it is about."""
    if len(verdicts) == 1:
        return verdicts[0][1]
    return Verdict(
        [
            replace(check, spool=pretty(spool.code)) if spool else check
            for spool, spool_verdict in verdicts
            for check in spool_verdict.checks
        ]
    )


def _lock_toolheads(job: Job) -> None:
    # Toolheads first, as everywhere: whoever fits or takes off a part meanwhile waits.
    lock_spool_facts()
    list(Toolhead.objects.select_for_update(no_key=True).filter(job_uses__job=job).order_by("pk"))


@follows_withdrawal(Job, prepare=_lock_toolheads)
def return_filament(job: Job) -> None:
    """The grams of the job are on their spools again, its wear is off the parts."""
    for use in job.uses.select_related("entry__spool"):
        withdraw_printed(use.entry, job)
    _update_wear(job)


def _update_wear(job: Job) -> None:
    """Its wear onto the parts, and what that makes due: seen at once, not at the next sweep."""
    recount_wear(job.uses.all())
    # The parts of the printer wear with it, whichever of its toolheads printed.
    toolheads_changed(Q(printer=job.printer))
    facts_changed(*SUBJECTS)


def _require_text(field: str, text: str, max_length: int) -> str:
    text = text.strip()
    if not 0 < len(text) <= max_length:
        raise refusal("text_length", f"Give between 1 and {max_length} characters.", field)
    return text


def require_start_time(
    toolhead: Toolhead, spool: Spool, start: datetime | None, *, later: bool = False
) -> datetime:
    """When a job starts, in UTC; None is now. later: the spool is loaded while the job runs.

    Refused: a time that cannot be, a spool that was not loaded then.
    """
    start = require_past_time(start, spool, "start")
    if not later:
        require_loaded(toolhead, spool, start)
    return start
