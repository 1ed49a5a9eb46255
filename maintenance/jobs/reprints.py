"""The same print once more: with the numbers of a job, and the spools of its materials that are loaded now."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from maintenance.jobs.judging import JobShare, build_share_spec
from maintenance.jobs.records import NewJob, store_job
from maintenance.jobs.shares import Share, decode_shares, find_start
from maintenance.models import Job, Loading, Toolhead
from maintenance.readiness.builder import build_material_inputs
from maintenance.readiness.inputs import small_job
from spools.models import Spool


@dataclass(frozen=True)
class UsualTemperatures:
    """Of nozzle and bed in °C; job: the last one with this filament, None where they are those of its material."""

    nozzle_c: float
    bed_c: float
    job: Job | None


def find_usual_temperatures(toolhead: Toolhead, spool: Spool) -> UsualTemperatures:
    """Those of the last print from this feedstock, on this printer if there is one, else the middle of its range."""
    printed = Job.objects.valid().filter(uses__spool__feedstock=spool.feedstock_id).order_by("-start", "-pk")
    last = printed.filter(printer=toolhead.printer_id).first() or printed.first()
    if last is not None:
        return UsualTemperatures(last.nozzle_c, last.bed_c, last)
    usual = small_job(
        build_material_inputs(spool.feedstock), toolhead.hot_end_max_c, toolhead.printer.bed_max_c
    )
    return UsualTemperatures(usual.nozzle_c, usual.bed_c, None)


def choose_spools(job: Job) -> list[tuple[Share, Spool]]:
    """The shares of a job as it was planned, each with the spool to print it from.

    The spool that is in the slot now where that is of the same feedstock, else the job's own.
    """
    start = find_start(list(job.events.valid()))
    assert start is not None
    shares = decode_shares(start.shares)
    spools = Spool.objects.select_related("feedstock__maker").in_bulk({share.spool for share in shares})
    present = Loading.objects.present().filter(toolhead__in={share.toolhead for share in shares})
    loaded = {
        (row.toolhead_id, row.slot): row.spool for row in present.select_related("spool__feedstock__maker")
    }
    chosen, seen = [], set()
    for share in shares:
        site = share.toolhead, share.slot
        spool, on_it = spools[share.spool], loaded.get(site)
        is_first = site not in seen
        if is_first and on_it is not None and on_it.feedstock_id == spool.feedstock_id:
            spool = on_it
        seen.add(site)
        chosen.append((share, spool))
    return chosen


def reprint_job(job: Job, *, stage: str | None = None, start: datetime | None = None, by: Any = None) -> Job:
    """Plans or records the same print once more; stage: planned without it. Refused: as store_job."""
    first = find_start(list(job.events.valid()))
    assert first is not None and first.hours is not None
    shares: list[JobShare] = []
    for share, spool in choose_spools(job):
        toolhead = Toolhead.objects.select_related("printer__place").get(pk=share.toolhead)
        spec = build_share_spec(job, share, first.hours)
        is_later = any((before.toolhead, before.slot) == (toolhead, share.slot) for before in shares)
        numbers = tuple(share.numbers)
        shares.append(JobShare(toolhead, spool, spec, is_later, share.retracted_m, numbers, slot=share.slot))
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
