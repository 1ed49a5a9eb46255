"""Which jobs take filament from a spool or a batch."""

from collections import defaultdict
from typing import Any

from django.db.models import Q

from maintenance.jobs.shares import decode_shares
from maintenance.models import JobEvent, JobUse, Reservation
from spools.models import Spool


def takes_from(**spools: Any) -> Q:
    """The condition that a job printed from, prints from or is planned with a spool; spools: lookups of Spool.

    So is one that took nothing of it, as a print that failed at once.
    """
    lookups = {f"spool__{name}": value for name, value in spools.items()}
    without = find_spools_without_use()
    named = {spool for ids in without.values() for spool in ids}
    wanted = (
        set(Spool.objects.filter(pk__in=named, **spools).values_list("pk", flat=True)) if named else set()
    )
    return (
        Q(pk__in=JobUse.objects.filter(**lookups).values("job"))
        | Q(pk__in=Reservation.objects.filter(**lookups).values("job"))
        | Q(pk__in=[job for job, ids in without.items() if ids & wanted])
    )


def find_spools_without_use(**job: Any) -> dict[int, set[int]]:
    """The spools of jobs that took nothing and reserve nothing, by job id: only their steps name them.

    job: lookups of the jobs.
    """
    found: dict[int, set[int]] = defaultdict(set)
    events = JobEvent.objects.filter(job__uses=None, job__reservations=None, **job).order_by("pk")
    for job_id, shares in events.values_list("job", "shares"):
        found[job_id] |= {share.spool for share in decode_shares(shares)}
    return found
