"""The job that is planned for a toolhead: a file that was made for its printer and is not printed yet."""

from dataclasses import dataclass

from maintenance.jobs.files import facts_of
from maintenance.jobs.from_file import build_job_spec
from maintenance.jobs.materials import load_materials
from maintenance.models import Job, JobFile, Toolhead
from maintenance.readiness.inputs import JobSpec
from maintenance.readiness.states import load_spool_states
from spools.models import Spool

# Older files that wait for a printer are not looked through.
MOST_FILES = 5


@dataclass(frozen=True)
class PlannedJob:
    """A file, and its job for the spool that is on the toolhead when it starts."""

    file: JobFile
    spec: JobSpec


def find_planned_job(toolhead: Toolhead, spool: Spool) -> PlannedJob | None:
    """The newest file that was made for the printer, uses this toolhead and has no print; None without one."""
    heads = toolhead.printer.toolheads.order_by("name").values_list("pk", flat=True)
    tool = list(heads).index(toolhead.pk)
    printed = Job.objects.filter(file__isnull=False, withdrawn_at=None).values("file")
    files = JobFile.objects.filter(state=JobFile.State.READ, printer=toolhead.printer_id)
    for file in files.exclude(pk__in=printed)[:MOST_FILES]:
        facts = facts_of(file)
        number = next((number for number, use in enumerate(facts.uses) if use.tool == tool), None)
        if number is not None:
            [state] = load_spool_states([spool]).values()
            materials = load_materials(file)
            spec = build_job_spec(facts, facts.marks[-1], [number], toolhead, state, materials)
            return PlannedJob(file, spec)
    return None
