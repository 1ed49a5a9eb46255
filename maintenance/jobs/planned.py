"""The job that is planned for a toolhead: one that is reserved there, else a file for its printer without a print."""

from collections.abc import Collection
from dataclasses import dataclass, replace

from maintenance.board.shop import Board
from maintenance.jobs.files import facts_of
from maintenance.jobs.from_file import build_job_spec
from maintenance.jobs.judging import build_share_spec
from maintenance.jobs.materials import load_materials
from maintenance.jobs.shares import decode_shares, find_start
from maintenance.jobs.slots import FilePart, Site, list_sites
from maintenance.models import Job, JobFile, Toolhead
from maintenance.readiness.builder import load_inputs_of_pairs
from maintenance.readiness.inputs import JobSpec
from maintenance.readiness.rules import judge
from maintenance.readiness.states import load_spool_states
from maintenance.readiness.verdict import Verdict
from spools.models import Spool

# Older files that wait for a printer are not looked through.
MOST_FILES = 5


@dataclass(frozen=True)
class PlannedJob:
    """A job for the spool that is on the toolhead when it starts. file: it comes from; job: its plan, if it has one."""

    name: str
    spec: JobSpec
    file: JobFile | None = None
    job: Job | None = None


def find_planned_job(toolhead: Toolhead, spool: Spool, slot: int = 1) -> PlannedJob | None:
    """The earliest job that is planned there; else the newest file for the printer without a print, if it uses it."""
    return find_planned_jobs([toolhead], spool, slot).get(toolhead.pk) or _find_file(toolhead, spool, slot)


def find_planned_jobs(toolheads: Collection[Toolhead], spool: Spool, slot: int = 1) -> dict[int, PlannedJob]:
    """The earliest job that is planned on each of these toolheads that has one, by its id.

    slot: for which the spool is meant, where the job is not planned with the spool itself.
    """
    heads = {toolhead.pk: toolhead for toolhead in toolheads}
    plans = (
        Job.objects.valid()
        .filter(stage=Job.Stage.PLANNED, reservations__toolhead__in=heads)
        .select_related("file")
        .prefetch_related("events")
        .order_by("start", "pk")
        .distinct()
    )
    planned: dict[int, PlannedJob] = {}
    several = {pk for pk, toolhead in heads.items() if toolhead.slots > 1}
    for job in plans:
        start = find_start([event for event in job.events.all() if event.withdrawn_at is None])
        assert start is not None and start.hours is not None
        shares = decode_shares(start.shares)
        # On a toolhead with several slots its own share of the job, else that of its slot.
        shares.sort(
            key=lambda share: (
                share.toolhead in several and 2 * (share.spool != spool.pk) + (share.slot != slot)
            )
        )
        for share in shares:
            if share.toolhead not in heads or share.toolhead in planned:
                continue
            numbers = build_share_spec(job, share, start.hours)
            if job.file is not None and job.file.state == JobFile.State.READ and share.numbers:
                numbers = _spec_of_file(job.file, share.numbers, heads[share.toolhead], spool)
            spec = replace(
                numbers, mass_g=share.mass_g, changes=share.changes, purge_g=share.purge_g, job=job.pk
            )
            planned[share.toolhead] = PlannedJob(job.name, spec, job.file, job)
    return planned


def _find_file(toolhead: Toolhead, spool: Spool, slot: int) -> PlannedJob | None:
    tool = list_sites(toolhead.printer.toolheads.in_use().order_by("name")).index(Site(toolhead, slot))
    printed = Job.objects.valid().filter(file__isnull=False).values("file")
    files = JobFile.objects.filter(state=JobFile.State.READ, printer=toolhead.printer_id)
    for file in files.exclude(pk__in=printed)[:MOST_FILES]:
        uses = facts_of(file).uses
        number = next((number for number, use in enumerate(uses) if use.tool == tool), None)
        if number is not None:
            return PlannedJob(file.name, _spec_of_file(file, [number], toolhead, spool), file)
    return None


def _spec_of_file(file: JobFile, numbers: list[int], toolhead: Toolhead, spool: Spool) -> JobSpec:
    [state] = load_spool_states([spool]).values()
    facts = facts_of(file)
    part = FilePart(Site(toolhead, 1), spool.pk, numbers, later=False)
    return build_job_spec(facts, part, toolhead, state, load_materials(file))


def list_verdicts(
    board: Board, spool: Spool, toolhead_ids: Collection[int]
) -> list[tuple[Toolhead, Verdict, PlannedJob | None]]:
    """The verdict of a spool on each of these toolheads, in the order of Board.order_verdicts.

    For the job that is planned there, in its own size; on the others for a small one. The file that waits for a
    printer is looked at on the toolhead that the spool is on.
    """
    planned = find_planned_jobs([board.toolheads[pk] for pk in toolhead_ids], spool)
    current = board.find_toolhead(spool.pk)
    if current is not None and current.pk in toolhead_ids and current.pk not in planned:
        waiting = _find_file(current, spool, board.loaded[spool.pk].number)
        planned |= {} if waiting is None else {current.pk: waiting}
    small = [pk for pk in toolhead_ids if pk not in planned]
    judging = board.with_inputs(small)
    verdicts = {pk: judging.verdict(pk, spool.pk) for pk in small}
    if planned:
        pairs = [(board.toolheads[pk], spool) for pk in planned]
        specs = {(pk, spool.pk): job.spec for pk, job in planned.items()}
        verdicts |= {pk: judge(inputs) for (pk, _), inputs in load_inputs_of_pairs(pairs, specs).items()}
    judged = [(board.toolheads[pk], verdict) for pk, verdict in verdicts.items()]
    return [(head, verdict, planned.get(head.pk)) for head, verdict in board.order_verdicts(spool.pk, judged)]
