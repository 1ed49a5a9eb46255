"""The materials that were in a toolhead last, from loadings and prints."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from django.db.models import Exists, F, OuterRef, Window
from django.db.models.functions import DenseRank, RowNumber
from django.utils import timezone

from maintenance.models import JobUse, Loading
from spools.catalogue.values import material_values
from spools.models import Spool


@dataclass(frozen=True)
class LoadedMaterial:
    """A spool that was loaded on a toolhead; printed: whether anything was printed of it since."""

    spool: Spool
    printed: bool


def load_last_materials(
    toolhead_ids: Iterable[int], at: datetime | None = None
) -> dict[int, list[LoadedMaterial]]:
    """The last two loadings of each toolhead until then, the newest first. One query.

    A toolhead with several slots has the spools of its last print instead: a loading reaches the nozzle when it is
    printed. Of these the one whose leftovers melt at the highest temperature is the first; one more query.
    """
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
        .select_related("toolhead", "spool__feedstock__polymer", "spool__feedstock__filler")
        .order_by("place")
    )
    materials: dict[int, list[LoadedMaterial]] = {pk: [] for pk in ids}
    several = set()
    for row in rows:
        if row.toolhead.slots > 1:
            several.add(row.toolhead_id)
        else:
            materials[row.toolhead_id].append(LoadedMaterial(row.spool, row.printed))
    return materials | (_load_last_printed(several, at) if several else {})


def _load_last_printed(toolhead_ids: Iterable[int], at: datetime) -> dict[int, list[LoadedMaterial]]:
    place = Window(
        DenseRank(), partition_by=[F("toolhead")], order_by=[F("job__start").desc(), F("job").desc()]
    )
    uses = (
        JobUse.objects.filter(toolhead__in=toolhead_ids, job__withdrawn_at=None, job__start__lt=at)
        .annotate(place=place)
        .filter(place=1)
        .select_related("spool__feedstock__polymer", "spool__feedstock__filler")
        .order_by("pk")
    )
    hottest_first = sorted(uses, key=lambda use: -material_values(use.spool.feedstock).nozzle_min_c)
    materials: dict[int, list[LoadedMaterial]] = {pk: [] for pk in toolhead_ids}
    for use in hottest_first:
        materials[use.toolhead_id].append(LoadedMaterial(use.spool, True))
    return materials
