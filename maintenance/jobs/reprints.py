"""The same print once more: with the numbers of a job, and the spools of its materials that are loaded now."""

from datetime import datetime
from typing import Any

from maintenance.jobs.records import JobShare, NewJob, store_job
from maintenance.jobs.shares import Share, decode_shares, find_start
from maintenance.models import Job, Loading, Toolhead
from maintenance.readiness.inputs import JobSpec
from spools.models import Spool


def choose_spools(job: Job) -> list[tuple[Share, Spool]]:
    """The shares of a job as it was planned, each with the spool to print it from.

    The spool that is on the toolhead now where that is of the same feedstock, else the job's own.
    """
    start = find_start(list(job.events.valid()))
    assert start is not None
    shares = decode_shares(start.shares)
    spools = Spool.objects.select_related("feedstock__maker").in_bulk({share.spool for share in shares})
    present = Loading.objects.present().filter(toolhead__in={share.toolhead for share in shares})
    loaded = {row.toolhead_id: row.spool for row in present.select_related("spool__feedstock__maker")}
    chosen, seen = [], set()
    for share in shares:
        spool, on_it = spools[share.spool], loaded.get(share.toolhead)
        is_first = share.toolhead not in seen
        if is_first and on_it is not None and on_it.feedstock_id == spool.feedstock_id:
            spool = on_it
        seen.add(share.toolhead)
        chosen.append((share, spool))
    return chosen


def reprint_job(job: Job, *, stage: str | None = None, start: datetime | None = None, by: Any = None) -> Job:
    """Plans or records the same print once more; stage: planned without it. Refused: as store_job."""
    first = find_start(list(job.events.valid()))
    assert first is not None and first.hours is not None
    shares: list[JobShare] = []
    for share, spool in choose_spools(job):
        toolhead = Toolhead.objects.select_related("printer__place").get(pk=share.toolhead)
        spec = JobSpec(share.mass_g, first.hours, job.nozzle_c, job.bed_c, job.max_flow_mm3_s)
        is_later = any(before.toolhead == toolhead for before in shares)
        shares.append(JobShare(toolhead, spool, spec, is_later, share.retracted_m, tuple(share.numbers)))
    new = NewJob(
        shares,
        job.name,
        start,
        stage or Job.Stage.PLANNED,
        file=job.file,
        reprint_of=job,
        project=job.project,
    )
    return store_job(new, by=by)
