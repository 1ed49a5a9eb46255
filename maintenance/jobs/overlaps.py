"""Jobs at the same time on one toolhead: the same print recorded twice, or a mistake that names the other job."""

import re
from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta

from django.db.models import Exists, Max, OuterRef, Q, QuerySet
from django.utils import timezone
from django.utils.translation import gettext as _

from maintenance import limits
from maintenance.jobs.shares import Share
from maintenance.models import Job, JobFile, JobUse, PrinterEvent, Reservation, Toolhead
from spools.refusals import refusal
from spools.wording import format_time

# Two records of one print share most of their time, and agree about its grams. Common practice, no source.
SAME_TIME_SHARE, SAME_GRAMS_SHARE, SAME_GRAMS = 0.5, 0.05, 1.0
# Of jobs of which one name is a part of the other.
LIKE_GRAMS_SHARE = 0.5
# A shorter name may be in another one by chance.
SHORTEST_NAME = 4
ENDINGS = re.compile(r"(\.(gcode|gco|g|nc|gz|3mf|zip))+$")


def simplify_name(name: str) -> str:
    """The letters and digits of a job's name, without the endings of files: "Lamp foot.gcode" is "lampfoot"."""
    return re.sub(r"[\W_]+", "", ENDINGS.sub("", name.strip().casefold()))


def find_same_job(
    shares: Sequence[Share],
    name: str,
    file: JobFile | None,
    start: datetime,
    end: datetime,
    *,
    reported: bool = False,
) -> Job | None:
    """The job that a print which was made then is, where it was planned or recorded before.

    reported: a printer's host named the print by its own id, so it is no other print that was named by one.
    """
    toolhead_ids, mass_g = {share.toolhead for share in shares}, sum(share.mass_g for share in shares)
    candidates = _jobs_on(toolhead_ids)
    if reported:
        candidates = candidates.exclude(Exists(PrinterEvent.objects.filter(job=OuterRef("pk"))))
    for job in candidates.exclude(stage=Job.Stage.PLANNED).filter(_around(start, end)):
        # A print whose end was not recorded may go on for longer than was expected.
        job_end = job.end if job.is_over else max(job.end, timezone.now())
        common = min(end, job_end) - max(start, job.start)
        if common <= timedelta(0) or common < SAME_TIME_SHARE * min(end - start, job_end - job.start):
            continue
        if is_named_alike(job, name, file) or _takes_as_much(job, mass_g, SAME_GRAMS_SHARE):
            return job
        if _is_in_name(job, name) and _takes_as_much(job, mass_g, LIKE_GRAMS_SHARE):
            return job
    planned = candidates.filter(stage=Job.Stage.PLANNED).order_by("start", "pk")
    return next((job for job in planned if is_named_alike(job, name, file)), None)


def require_free_toolheads(
    toolheads: Iterable[Toolhead],
    start: datetime,
    end: datetime,
    *,
    job: Job | None = None,
    plans_count: bool = False,
) -> None:
    """Refused: another job than this one on one of the toolheads then, by its name. plans_count: also a plan."""
    for toolhead in toolheads:
        others = _jobs_on({toolhead.pk}).filter(_around(start, end), start__lt=end, end__gt=start)
        if job is not None:
            others = others.exclude(pk=job.pk)
        if not plans_count:
            others = others.exclude(stage=Job.Stage.PLANNED)
        other = others.order_by("start").first()
        if other is None:
            continue
        if other.stage == Job.Stage.PLANNED:
            sentence = _(
                "{job} is planned there from {start} to {end}, on {toolhead}. Choose another time or toolhead, or "
                "withdraw that plan."
            )
        elif other.is_over:
            sentence = _(
                "{job} was printed there from {start} to {end}, on {toolhead}. Correct the times, or withdraw the "
                "wrong one."
            )
        else:
            sentence = _(
                "{job} prints there from {start} to {end}, on {toolhead}. Record how it ended first, or choose "
                "another toolhead."
            )
        times = {"start": format_time(other.start), "end": format_time(other.end)}
        raise refusal("toolhead_busy", sentence.format(job=other, toolhead=toolhead, **times), "start")


def find_last_end(toolhead_ids: Iterable[int], before: datetime) -> datetime | None:
    """When the last print on these toolheads was over that ended by then."""
    over = _jobs_on(toolhead_ids).filter(stage__in=Job.ENDED, end__lte=before)
    return over.aggregate(last=Max("end"))["last"]


def find_free_time(toolhead_ids: Iterable[int], now: datetime) -> datetime:
    """From when on nothing is planned and nothing prints on these toolheads."""
    not_over = _jobs_on(toolhead_ids).filter(stage__in=[Job.Stage.PLANNED, Job.Stage.PRINTING])
    last = not_over.aggregate(last=Max("end"))["last"]
    return max(now, last or now)


def _jobs_on(toolhead_ids: Iterable[int]) -> QuerySet[Job]:
    ids = list(toolhead_ids)
    on_them = Q(Exists(JobUse.objects.filter(job=OuterRef("pk"), toolhead__in=ids))) | Q(
        Exists(Reservation.objects.filter(job=OuterRef("pk"), toolhead__in=ids))
    )
    printers = Toolhead.objects.filter(pk__in=ids).values("printer")
    # By the printer first: its index on the start leads to the few jobs around a time.
    return Job.objects.valid().filter(on_them, printer__in=printers).order_by("start", "pk")


def _around(start: datetime, end: datetime) -> Q:
    return Q(start__lt=end, start__gt=start - timedelta(hours=limits.JOB_HOURS.high))


def is_named_alike(job: Job, name: str, file: JobFile | None) -> bool:
    """Whether a job has this file or name."""
    return (file is not None and job.file_id == file.pk) or simplify_name(job.name) == simplify_name(name)


def _is_in_name(job: Job, name: str) -> bool:
    one, other = simplify_name(job.name), simplify_name(name)
    return min(len(one), len(other)) >= SHORTEST_NAME and (one in other or other in one)


def _takes_as_much(job: Job, mass_g: float, share: float) -> bool:
    job_g = sum(use.mass_g for use in job.uses.all()) + sum(row.mass_g for row in job.reservations.all())
    return abs(job_g - mass_g) <= max(SAME_GRAMS, share * mass_g)
