"""Jobs: prints that are planned, that run, or that were made. What was made is a fact, whatever the verdict was."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any, Unpack

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext as _

from maintenance import limits
from maintenance.checks import require_loaded
from maintenance.jobs.judging import JobShare, PrintDetails, build_shares, fill_slots, judge_shares
from maintenance.jobs.life import lock_job, lock_toolheads, refresh_job
from maintenance.jobs.overlaps import find_free_time, find_last_end, find_same_job, require_free_toolheads
from maintenance.jobs.shares import ENDS, Share, encode_shares
from maintenance.models import Job, JobEvent, JobFile, Loading, Toolhead
from maintenance.readiness.verdict import encode_checks
from spools.checks import (
    CLOCK_TOLERANCE,
    lock_spool,
    lock_spool_facts,
    require_choice,
    require_in_use,
    require_past_time,
    require_within,
)
from spools.models import Spool
from spools.refusals import refusal
from spools.statements import Statement
from spools.wording import format_time

Kind, Stage = JobEvent.Kind, Job.Stage
MOST_PARTS = 10_000
MAX_PROJECT_LENGTH = 80
FURTHEST_PLAN = timedelta(days=366)
HOUR = timedelta(hours=1)


@dataclass(frozen=True)
class Outcome:
    """How a print ended. parts: how many were printed at once, if counted; good_parts: how many of them are good."""

    parts: int | None = None
    good_parts: int | None = None
    reason: str = ""
    stopped: Statement | None = None


@transaction.atomic
def record_job(
    *,
    toolhead: Toolhead,
    spool: Spool,
    name: str,
    start: datetime | None = None,
    override_reason: str = "",
    by: Any = None,
    **details: Unpack[PrintDetails],
) -> Job:
    """Records a print of one spool or of several slots, as store_job does. mass_g: what it took, or will take."""
    new = NewJob(
        build_shares(toolhead, spool, details),
        name,
        start,
        details.get("stage"),
        override_reason,
        outcome=Outcome(details.get("parts"), details.get("good_parts"), details.get("reason", "")),
        reprint_of=details.get("reprint_of"),
        project=details.get("project", ""),
    )
    return store_job(new, by=by)


@dataclass(frozen=True)
class NewJob:
    """A job to be stored. start: None is as late as it can be of a print that is over, now of one that runs, and
    the first free time of a plan. hours: of the print up to where it stopped; None: those of its shares.
    """

    shares: Sequence[JobShare]
    name: str
    start: datetime | None = None
    stage: str | None = None
    override_reason: str = ""
    file: JobFile | None = None
    outcome: Outcome = Outcome()
    reprint_of: Job | None = None
    hours: float | None = None
    project: str = ""

    @property
    def whole_hours(self) -> float:
        return max(share.spec.hours for share in self.shares)

    @property
    def printed_hours(self) -> float:
        return self.whole_hours if self.hours is None else self.hours


@transaction.atomic
def store_job(new: NewJob, *, by: Any = None) -> Job:
    """Records a print of one spool or several on one printer, with the verdict at its start beside it.

    stage: planned, printing, finished, failed or stopped; None: printing while its time is not over, else
    finished. What is over takes its grams and wears the parts; what is not reserves them.
    A print that was planned or recorded before stays one job: it is returned, brought up to this stage, with
    known_before set.
    Refused: a spool that was not loaded there then, more than it can hold, another job on the toolhead then,
    numbers that no print has.
    """
    new, toolheads = _lock_new(new)
    stage = _find_stage(new)
    start, end = _find_times(new, stage)
    new = replace(new, shares=fill_slots(new.shares, timezone.now() if stage == Stage.PLANNED else start))
    if stage == Stage.PLANNED:
        for share in new.shares:
            require_in_use(share.spool)
        require_free_toolheads(toolheads.values(), start, end, plans_count=True)
    else:
        same = find_same_job([share.taken for share in new.shares], new.name, new.file, start, end)
        if same is not None:
            return _bring_up(same, new, stage, start, end, by)
        if new.start is None and (last_end := find_last_end(toolheads, end)):
            start = min(end, max(start, last_end))
        for share in new.shares:
            require_start_time(share.toolhead, share.spool, start, later=share.later)
        require_free_toolheads(toolheads.values(), start, end)
    job = _create_job(new, start, end, by)
    _add_start(job, new, Kind.PLANNED if stage == Stage.PLANNED else Kind.STARTED, start, by)
    if stage in ENDS:
        add_end(job, stage, end, new.printed_hours, [share.taken for share in new.shares], new.outcome, by)
    return refresh_job(job, by=by)


def _lock_new(new: NewJob) -> tuple[NewJob, dict[int, Toolhead]]:
    """The job with its toolheads and spools as stored, locked. Refused: texts and numbers that no print has."""
    new = replace(
        new,
        name=require_text("name", new.name, 120),
        override_reason=require_short("override_reason", new.override_reason),
        project=require_short("project", new.project, MAX_PROJECT_LENGTH),
    )
    lock_spool_facts()
    toolheads = lock_toolheads([share.toolhead.pk for share in new.shares])
    spools = {
        pk: lock_spool(spool) for pk, spool in sorted({s.spool.pk: s.spool for s in new.shares}.items())
    }
    require_within("hours", new.printed_hours, *limits.JOB_HOURS)
    shares = [replace(s, toolhead=toolheads[s.toolhead.pk], spool=spools[s.spool.pk]) for s in new.shares]
    return replace(new, shares=shares), toolheads


@transaction.atomic
def begin_reported(new: NewJob, *, job: Job | None, end: datetime | None, by: Any = None) -> Job:
    """A print is planned or begins, as its printer reports. job: that of its events, None before the first of them.

    new.stage: planned or printing. end: of the print where it is known; else it lasts as it was to. Without a job, one
    that was planned or recorded before is the same print: it is returned, with known_before set where this adds nothing.
    Refused: as for store_job.
    """
    new, toolheads = _lock_new(new)
    planned = new.stage == Stage.PLANNED
    if planned and job is not None and new.start is None:
        new = replace(new, start=job.start)
    start, expected_end = _find_times(new, new.stage or Stage.PRINTING)
    end = end or expected_end
    new = replace(new, shares=fill_slots(new.shares, timezone.now() if planned else start))
    if job is None:
        taken = [share.taken for share in new.shares]
        known = find_same_job(taken, new.name, new.file, start, end, reported=True)
        if known is not None and (planned or known.stage != Stage.PLANNED):
            known.known_before = True
            return known
        job = known and lock_job(known)
    elif all(event.basis for event in job.events.all()):
        Job.objects.filter(pk=job.pk).update(**_columns(new))
        job.refresh_from_db()
    for share in new.shares:
        if planned:
            require_in_use(share.spool)
        else:
            require_start_time(share.toolhead, share.spool, start, later=share.later)
    require_free_toolheads(toolheads.values(), start, end, job=job, plans_count=planned)
    if job is None:
        job = _create_job(new, start, end, by)
    _add_start(job, new, Kind.PLANNED if planned else Kind.STARTED, start, by)
    return refresh_job(job, by=by)


def _find_stage(new: NewJob) -> str:
    if new.stage is not None:
        return require_choice("stage", new.stage, Stage.values)
    if new.start is not None and new.start + new.whole_hours * HOUR > timezone.now() + CLOCK_TOLERANCE:
        return Stage.PRINTING
    return Stage.FINISHED


def _find_times(new: NewJob, stage: str) -> tuple[datetime, datetime]:
    """Start and end of a print, as expected where it is not over. Refused: times that cannot be."""
    now = timezone.now()
    toolhead_ids = [share.toolhead.pk for share in new.shares]
    if stage == Stage.PLANNED:
        start = new.start or find_free_time(toolhead_ids, now)
        if start > now + FURTHEST_PLAN or start + new.whole_hours * HOUR < now:
            raise refusal(
                "plan_time", _("Give a time from now on, at most a year ahead, or leave it empty."), "start"
            )
        return start, start + new.whole_hours * HOUR
    for share in new.shares:
        require_past_time(new.start, share.spool, "start")
    if stage == Stage.PRINTING:
        start = require_past_time(new.start, field="start")
        return start, start + new.whole_hours * HOUR
    if new.start is not None:
        start = require_past_time(new.start, field="start")
        end = start + new.printed_hours * HOUR
        if end > now + CLOCK_TOLERANCE:
            raise refusal(
                "not_over_yet",
                _("It would end at {end}. Record it as printing, or give the hours that it printed.").format(
                    end=format_time(end)
                ),
                "start",
            )
        return start, end
    # It ended just now; it did not start before its spools were loaded.
    present = Loading.objects.present().filter(toolhead__in=toolhead_ids)
    loaded = present.filter(spool__in=[share.spool.pk for share in new.shares if not share.later])
    return max([now - new.printed_hours * HOUR, *loaded.values_list("start", flat=True)]), now


def _create_job(new: NewJob, start: datetime, end: datetime, by: Any) -> Job:
    return Job.objects.create(
        project=new.project,
        start=start,
        end=end,
        hours=new.whole_hours,
        override_reason=new.override_reason,
        recorded_by=by,
        reprint_of=new.reprint_of,
        **_columns(new),
    )


def _columns(new: NewJob) -> dict[str, Any]:
    """The columns of a job that its machine states."""
    specs = [share.spec for share in new.shares]
    return {
        "printer": new.shares[0].toolhead.printer,
        "name": new.name,
        "nozzle_c": max(spec.nozzle_c for spec in specs),
        "bed_c": max(spec.bed_c for spec in specs),
        "max_flow_mm3_s": max((spec.max_flow_mm3_s for spec in specs if spec.max_flow_mm3_s), default=None),
        "file": new.file,
    }


def _add_start(job: Job, new: NewJob, kind: str, start: datetime, by: Any) -> JobEvent:
    """The start of a job, or its plan, with the verdict then."""
    at = min(start, timezone.now())
    judged = judge_shares(new.shares, at)
    return JobEvent.objects.create(
        job=job,
        kind=kind,
        at=start,
        hours=new.whole_hours,
        shares=encode_shares(share.whole for share in new.shares),
        state=judged.state,
        reasons=encode_checks(judged.checks),
        recorded_by=by,
    )


def add_end(
    job: Job, kind: str, at: datetime, hours: float, shares: Sequence[Share], outcome: Outcome, by: Any
) -> JobEvent:
    """The end of a job. shares: what it took. Refused: counts of parts that cannot be, a reason that is too long."""
    if outcome.parts is not None:
        require_within("parts", outcome.parts, 1, MOST_PARTS, "")
    if outcome.good_parts is not None:
        require_within("good_parts", outcome.good_parts, 0, outcome.parts or MOST_PARTS, "")
    return JobEvent.objects.create(
        job=job,
        kind=kind,
        at=at,
        hours=hours,
        shares=encode_shares(shares),
        parts=outcome.parts,
        good_parts=outcome.good_parts,
        reason=require_short("reason", outcome.reason),
        stopped=outcome.stopped,
        recorded_by=by,
    )


def _bring_up(same: Job, new: NewJob, stage: str, start: datetime, end: datetime, by: Any) -> Job:
    """The job that was planned or recorded before, with what this record adds to it."""
    job = lock_job(same)
    was_planned = job.stage == Stage.PLANNED
    if was_planned:
        for share in new.shares:
            require_start_time(share.toolhead, share.spool, start, later=share.later)
        require_free_toolheads([s.toolhead for s in new.shares], start, end, job=job)
        _add_start(job, new, Kind.STARTED, start, by)
    if stage in ENDS and not job.is_over:
        start = start if was_planned else job.start
        hours = max(limits.JOB_HOURS.low, (end - start) / HOUR)
        add_end(job, stage, end, hours, [share.taken for share in new.shares], new.outcome, by)
    refresh_job(job, by=by)
    job.known_before = True
    return job


def require_text(field: str, text: str, max_length: int) -> str:
    text = text.strip()
    if not 0 < len(text) <= max_length:
        raise refusal(
            "text_length",
            _("Give between 1 and {max_length} characters.").format(max_length=max_length),
            field,
        )
    return text


def require_short(field: str, text: str, max_length: int = 300) -> str:
    text = text.strip()
    if len(text) > max_length:
        raise refusal(
            "too_long", _("Give at most {max_length} characters.").format(max_length=max_length), field
        )
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
