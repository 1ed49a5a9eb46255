"""Jobs: prints that were made. They take grams from a spool and wear the parts that its filament passed."""

from dataclasses import asdict
from datetime import datetime, timedelta
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Q
from django.utils import timezone

from spools.checks import locked, moment, one_writer, shown, within
from spools.labels import pretty
from spools.ledger import give_back, take
from spools.models import Spool, Stay

from . import reminders
from .loading import refuse_hold
from .models import Job, JobUse, Loading, Toolhead
from .situation import JobAsked, verdict
from .wear_log import count_again, rebuild_wear

__all__ = ["rebuild_wear", "record_job", "was_loaded", "withdraw_job"]

SAME_JOB = timedelta(minutes=2)


@transaction.atomic
def record_job(
    *,
    toolhead: Toolhead,
    spool: Spool,
    name: str,
    mass_g: float,
    hours: float,
    nozzle_c: float,
    bed_c: float,
    max_flow_mm3_s: float | None = None,
    retracted_m: float | None = None,
    start: datetime | None = None,
    override_reason: str = "",
    by: Any = None,
) -> Job:
    """Keep a print with the verdict at its start: the spool gives its grams, the fitted parts wear.

    retracted_m: filament pulled back by all its retractions together, where that is known.

    Refused: a spool that was not loaded there then, more than it can hold, a hold without a reason, numbers
    that no print has.
    """
    asked = JobAsked(mass_g, hours, nozzle_c, bed_c, max_flow_mm3_s)
    if retracted_m is not None:
        retracted_m = within("retracted_m", retracted_m, 0, 10_000, "m")
    name, override_reason = _text("name", name, 120), override_reason.strip()
    one_writer()
    toolhead = Toolhead.objects.select_for_update(of=("self",)).select_related("printer").get(pk=toolhead.pk)
    spool = locked(spool)
    start = moment(start, spool, "start")
    was_loaded(toolhead, spool, start)
    _not_twice(toolhead, spool, name, asked, start)
    found = verdict(toolhead, spool, asked, at=start)
    refuse_hold(found, override_reason, "recorded")
    entry = take(spool, asked.mass_g, at=start, note=f"job {name}", by=by)
    job = Job.objects.create(
        printer=toolhead.printer,
        name=name,
        start=start,
        hours=asked.hours,
        nozzle_c=asked.nozzle_c,
        bed_c=asked.bed_c,
        max_flow_mm3_s=asked.max_flow_mm3_s,
        state=found.state,
        reasons=[asdict(check) for check in found.checks],
        override_reason=override_reason,
        recorded_by=by,
    )
    JobUse.objects.create(
        job=job,
        toolhead=toolhead,
        spool=spool,
        mass_g=asked.mass_g,
        retracted_m=retracted_m,
        entry=entry,
    )
    _count(job)
    return job


@transaction.atomic
def withdraw_job(job: Job, *, reason: str, by: Any = None) -> Job:
    """It was a mistake: its grams return to the spools, its wear is taken off the parts; the job stays.

    Refused: one that is withdrawn already, no reason.
    """
    reason = _text("reason", reason, 300)
    # Toolheads first, as everywhere: whoever fits or takes off a part meanwhile waits.
    one_writer()
    list(Toolhead.objects.select_for_update().filter(job_uses__job=job).order_by("pk"))
    job = Job.objects.select_for_update(of=("self",)).get(pk=job.pk)
    if job.withdrawn_at is not None:
        raise ValidationError(f"This job was withdrawn on {shown(job.withdrawn_at)} already.")
    for use in job.uses.select_related("entry__spool"):
        use.returned = give_back(use.entry, note=f"job {job.name} withdrawn", by=by)
        use.save(update_fields=["returned"])
    job.withdrawn_at, job.withdrawn_reason = timezone.now(), reason
    job.save(update_fields=["withdrawn_at", "withdrawn_reason"])
    _count(job)
    return job


def _count(job: Job) -> None:
    """Its wear onto the parts, and what that makes due: seen at once, not at the next sweep."""
    count_again(job.uses.all())
    reminders.sweep_parts()
    reminders.sweep_stock()
    reminders.sweep_service()


def _not_twice(toolhead: Toolhead, spool: Spool, name: str, asked: JobAsked, start: datetime) -> None:
    """Refuses what a button pressed twice would record again."""
    same = JobUse.objects.filter(
        job__withdrawn_at=None,
        job__name=name,
        job__hours=asked.hours,
        job__start__gt=start - SAME_JOB,
        job__start__lt=start + SAME_JOB,
        toolhead=toolhead,
        spool=spool,
        mass_g=asked.mass_g,
    )
    if same.exists():
        raise ValidationError(
            {"name": f"{name} is recorded already, with these grams and hours. Give another name or start."}
        )


def _text(field: str, text: str, most: int) -> str:
    text = text.strip()
    if not 0 < len(text) <= most:
        raise ValidationError({field: f"Give between 1 and {most} characters."})
    return text


def was_loaded(toolhead: Toolhead, spool: Spool, at: datetime) -> None:
    """Refuses a spool that was not on the toolhead at that time."""
    then = Q(end=None) | Q(end__gt=at)
    loaded = Loading.objects.filter(then, toolhead=toolhead, spool=spool, start__lte=at)
    there = Stay.objects.filter(then, spool=spool, place=toolhead.printer.place_id, start__lte=at)
    if not loaded.exists() or not there.exists():
        raise ValidationError(
            {
                "spool": f"Spool {pretty(spool.code)} was not on {toolhead} at {shown(at)}. "
                "Give the spool that was, or a time when it was loaded."
            }
        )
