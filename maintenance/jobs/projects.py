"""The project or customer that a job counts for: a label for reports, which may change."""

from maintenance.jobs.records import MAX_PROJECT_LENGTH, require_short
from maintenance.models import Job


def set_project(job: Job, project: str) -> Job:
    """Stores the project of a job; "" for none. Raises ValidationError on one that is too long."""
    job.project = require_short("project", project, MAX_PROJECT_LENGTH)
    Job.objects.filter(pk=job.pk).update(project=job.project)
    return job
