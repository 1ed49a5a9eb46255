"""Brings a job up to date with its events: its columns, reservations and uses, with their grams and wear."""

from collections.abc import Sequence
from typing import Any

from django.db.models import Q
from django.utils.translation import gettext as _

from maintenance.changes import SUBJECTS, facts_changed, toolheads_changed
from maintenance.jobs.shares import Life, Piece, Share, decode_shares, derive_life
from maintenance.models import Job, JobEvent, JobUse, Reservation, Toolhead
from maintenance.parts.wear_entries import recount_wear
from spools.checks import lock_spool, lock_spool_facts
from spools.facts import follows_withdrawal, mark_withdrawn
from spools.invalidation import invalidate_rows
from spools.inventory.ledger import invalidate_entry, take, withdraw_printed
from spools.models import Spool
from spools.refusals import refusal
from spools.statements import Statement

NUMBERS = ["mass_g", "retracted_m", "slot", "changes", "purge_g"]
RESERVED = ["toolhead_id", "spool_id", "mass_g", "nozzle_c"]
COLUMNS = ["stage", "start", "end", "hours", "state", "reasons", "stopped"]


def lock_toolheads(toolhead_ids: Sequence[int]) -> dict[int, Toolhead]:
    """These toolheads, locked, by id. Before spools, as everywhere: whoever fits or takes off a part waits."""
    lock_spool_facts()
    rows = Toolhead.objects.select_for_update(no_key=True, of=("self",)).select_related("printer__place")
    return {row.pk: row for row in rows.filter(pk__in=toolhead_ids).order_by("pk")}


def lock_job(job: Job) -> Job:
    """The job as stored, with its toolheads and its row locked."""
    ids = {share.toolhead for event in job.events.all() for share in decode_shares(event.shares)}
    lock_toolheads(sorted(ids))
    return Job.objects.select_for_update(no_key=True, of=("self",)).select_related("printer").get(pk=job.pk)


def build_columns(life: Life) -> dict[str, Any]:
    """The columns of a job that follow from its events."""
    event = life.start_event
    values = [life.stage, life.start, life.end, life.hours, event.state, event.reasons, life.stopped]
    return dict(zip(COLUMNS, values, strict=True))


def refresh_job(job: Job, *, by: Any = None, reason: str | None = None) -> Job:
    """Computes what follows from the events of a job. The caller holds its locks.

    Grams that it did not take after all are withdrawn from the spools with this reason.
    Refused: events that do not fit together, more grams than a spool can hold.
    """
    life = derive_life(list(job.events.valid()))
    for name, value in build_columns(life).items():
        setattr(job, name, value)
    job.save(update_fields=COLUMNS)
    _refresh_reservations(job, life.reserved)
    _refresh_uses(job, life.used, by, reason)
    _update_wear(job)
    return job


def _refresh_reservations(job: Job, reserved: Sequence[Piece]) -> None:
    stored = list(job.reservations.order_by("pk").values_list(*RESERVED))
    wanted = [_reserve(piece.share) for piece in reserved]
    if stored != wanted:
        invalidate_rows({row[1] for row in [*stored, *wanted]})
        job.reservations.all().delete()
        for row in wanted:
            Reservation.objects.create(job=job, **dict(zip(RESERVED, row, strict=True)))


def _reserve(share: Share) -> tuple[int, int, float, float | None]:
    """The columns of a reservation, in the order of RESERVED."""
    return share.toolhead, share.spool, share.mass_g, share.nozzle_c


def _refresh_uses(job: Job, used: Sequence[Piece], by: Any, reason: str | None) -> None:
    wanted = {(piece.share.toolhead, piece.share.spool): piece for piece in used}
    for use in job.uses.select_related("entry__spool"):
        key = use.toolhead_id, use.spool_id
        piece = wanted.get(key)
        if piece and (*_numbers(piece.share), piece.since) == (*_numbers(use), use.entry.at):
            del wanted[key]
            continue
        entry = use.entry
        use.delete()
        lock_spool(entry.spool)
        invalidate_entry(entry)
        mark_withdrawn(entry, by=by, reason=reason)
    spools = Spool.objects.in_bulk([spool for _, spool in wanted])
    for (toolhead_id, spool_id), piece in wanted.items():
        share = piece.share
        cause = Statement("cause.job", {"job": job.pk, "name": job.name})
        entry = take(spools[spool_id], share.mass_g, at=piece.since, cause=cause, by=by)
        JobUse.objects.create(
            job=job,
            toolhead_id=toolhead_id,
            spool_id=spool_id,
            entry=entry,
            **dict(zip(NUMBERS, _numbers(share), strict=True)),
        )


def _numbers(row: Share | JobUse) -> tuple[float | None, ...]:
    """The columns of a use that are those of its share."""
    return tuple(getattr(row, name) for name in NUMBERS)


def _update_wear(job: Job) -> None:
    """Its wear onto the parts, and what that makes due: seen at once, not at the next sweep."""
    recount_wear(job.uses.all())
    # The parts of the printer wear with it, whichever of its toolheads printed.
    toolheads_changed(Q(printer=job.printer))
    facts_changed(*SUBJECTS)


@follows_withdrawal(Job, prepare=lock_job)
def return_filament(job: Job) -> None:
    """The grams of the job are on their spools again, its wear is off the parts, nothing is reserved for it."""
    for use in job.uses.select_related("entry__spool"):
        withdraw_printed(use.entry, job)
    _refresh_reservations(job, [])
    _update_wear(job)


@follows_withdrawal(JobEvent, prepare=lambda event: lock_job(event.job))
def take_back_step(event: JobEvent) -> None:
    """The job is as it was before this step. Refused: the first step, one that a later step rests on."""
    if event.job.withdrawn_at is not None:
        raise refusal("withdrawn_already", _("All of this job is withdrawn already."))
    refresh_job(event.job, by=event.withdrawn_by, reason=event.withdrawn_reason)


def rebuild_jobs() -> list[str]:
    """Computes the columns and reservations of all jobs again. Returns what changed, in words: nothing should."""
    changed = []
    for job in Job.objects.prefetch_related("events", "reservations").iterator(chunk_size=1000):
        events = sorted(
            (event for event in job.events.all() if event.withdrawn_at is None),
            key=lambda event: (event.at, event.pk),
        )
        life = derive_life(events)
        columns = build_columns(life)
        reserved = [] if job.withdrawn_at else life.reserved
        stored = sorted(tuple(getattr(row, name) for name in RESERVED) for row in job.reservations.all())
        wanted = sorted(_reserve(piece.share) for piece in reserved)
        if stored != wanted or any(getattr(job, name) != value for name, value in columns.items()):
            Job.objects.filter(pk=job.pk).update(**columns)
            _refresh_reservations(job, reserved)
            changed.append(f"Job {job.pk}: other stage, times or reservations.")
    return changed
