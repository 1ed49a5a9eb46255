"""Loads the prints of spools for the packages below: for moves, drying advice and the plan of the week."""

from collections import defaultdict
from collections.abc import Collection

from django.db.models import Exists, OuterRef

from maintenance.models import Job, Loading, Reservation
from spools.inventory.prints import PrintsBySpool, SpoolPrint, loads_prints


@loads_prints
def load_spool_prints(spool_ids: Collection[int] | None = None) -> PrintsBySpool:
    """One query."""
    on_it = Loading.objects.present().filter(toolhead=OuterRef("toolhead"), spool=OuterRef("spool"))
    rows = (
        Reservation.objects.annotate(on_it=Exists(on_it)).select_related("job").order_by("job__start", "pk")
    )
    if spool_ids is not None:
        rows = rows.filter(spool__in=spool_ids)
    prints: dict[int, list[SpoolPrint]] = defaultdict(list)
    for row in rows:
        job = row.job
        is_running = row.on_it and job.stage == Job.Stage.PRINTING
        prints[row.spool_id].append(SpoolPrint(job.name, job.start, job.end, row.mass_g, is_running))
    return dict(prints)
