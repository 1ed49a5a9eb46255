"""Whether a job may start now on a toolhead, as a print host asks before it heats."""

from dataclasses import dataclass, replace
from typing import Any

from django.utils import timezone
from django.utils.translation import gettext as _

from maintenance.board.shop import load_loaded, load_machines
from maintenance.jobs.from_file import check_no_spool, judge_on_machine
from maintenance.jobs.overlaps import is_named_alike
from maintenance.jobs.reported import find_file, find_file_spools
from maintenance.models import Job, JobFile, Toolhead
from maintenance.readiness.builder import build_inputs
from maintenance.readiness.inputs import JobSpec
from maintenance.readiness.rules import judge
from maintenance.readiness.states import load_spool_states
from maintenance.readiness.verdict import Verdict
from spools.inventory.queries import load_with_materials
from spools.models import Spool
from spools.refusals import refusal


@dataclass(frozen=True)
class StartVerdict:
    """The verdict of a job with these spools."""

    toolhead: Toolhead
    spools: list[Spool]
    verdict: Verdict


def judge_start(
    toolhead: Toolhead, spool: Spool | None, job: JobSpec, *, slot: int | None = None, **plan: Any
) -> StartVerdict:
    """A job by its numbers. spool: None is the one that is loaded, in a slot where several are.

    plan: as for find_plan; it does not stand in its own way. Refused: no choice among several loaded spools.
    """
    ids = [spool.pk] if spool is not None else _find_loaded(toolhead, slot)
    if len(ids) > 1:
        sentence = _("Several spools are on {name}. Give one of them, or its slot.")
        raise refusal("several_spools", sentence.format(name=toolhead), "spool")
    if not ids:
        name = toolhead.name_slot(slot) if slot else str(toolhead)
        return StartVerdict(toolhead, [], Verdict([check_no_spool(name)]))
    [spool] = load_with_materials(ids).values()
    job = replace(job, job=find_plan(toolhead, **plan))
    pair = load_machines({toolhead.pk})[toolhead.pk], load_spool_states([spool], preloaded=True)[spool.pk]
    [inputs] = build_inputs([pair], job).values()
    return StartVerdict(toolhead, [spool], judge(inputs))


def _find_loaded(toolhead: Toolhead, slot: int | None) -> list[int]:
    """The ids of the spools on a toolhead, or in one slot of it."""
    sites = load_loaded().items()
    return [pk for pk, site in sites if site.toolhead == toolhead.pk and slot in (None, site.number)]


def judge_file_start(toolhead: Toolhead, digest: str, spool: Spool | None, **plan: Any) -> StartVerdict:
    """The job of a file that was added, on the printer of a toolhead. spool: where it takes one; else as loaded."""
    file = find_file(digest)
    printer = toolhead.printer
    values = {} if spool is None else {"spool": spool.code}
    spools = find_file_spools(file, printer, values, timezone.now())
    planned = find_plan(toolhead, file=file, **plan)
    return StartVerdict(toolhead, spools, judge_on_machine(file, printer, spools, job=planned).verdict)


def find_plan(
    toolhead: Toolhead, *, print_key: str = "", name: str = "", file: JobFile | None = None
) -> int | None:
    """The id of the job that is planned there for the same print: by the host's id of it, its name or its file."""
    plans = Job.objects.valid().filter(stage=Job.Stage.PLANNED, printer=toolhead.printer_id)
    if not print_key and not name and file is None:
        return None
    plans = plans.filter(reservations__toolhead=toolhead).order_by("start", "pk")
    if print_key:
        reported = plans.filter(printer_events__print_key=print_key).first()
        if reported is not None:
            return reported.pk
    return next((job.pk for job in plans if is_named_alike(job, name or print_key, file)), None)
