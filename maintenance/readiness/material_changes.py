"""The materials that were in a toolhead last, from loadings and prints."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from django.db.models import Exists, F, OuterRef, Window
from django.db.models.functions import RowNumber
from django.utils import timezone

from maintenance.models import JobUse, Loading
from spools.models import Spool


@dataclass(frozen=True)
class LoadedMaterial:
    """A spool that was loaded on a toolhead; printed: whether anything was printed of it since."""

    spool: Spool
    printed: bool


def load_last_materials(
    toolhead_ids: Iterable[int], at: datetime | None = None
) -> dict[int, list[LoadedMaterial]]:
    """The last two loadings of each toolhead until then, the newest first. One query."""
    at = at or timezone.now()
    ids = list(toolhead_ids)
    uses = JobUse.objects.filter(
        toolhead=OuterRef("toolhead"),
        spool=OuterRef("spool"),
        job__withdrawn_at=None,
        job__start__gte=OuterRef("start"),
        job__start__lt=at,
    )
    place = Window(RowNumber(), partition_by=[F("toolhead")], order_by=[F("start").desc(), F("id").desc()])
    rows = (
        Loading.objects.filter(toolhead__in=ids, start__lte=at)
        .annotate(printed=Exists(uses), place=place)
        .filter(place__lte=2)
        .select_related("spool__feedstock__polymer", "spool__feedstock__filler")
        .order_by("place")
    )
    materials: dict[int, list[LoadedMaterial]] = {pk: [] for pk in ids}
    for row in rows:
        materials[row.toolhead_id].append(LoadedMaterial(row.spool, row.printed))
    return materials
