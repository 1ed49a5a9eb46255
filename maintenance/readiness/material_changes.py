"""The material that was in a toolhead before a spool, from loadings and prints."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from django.db.models import Exists, F, OuterRef, Window
from django.db.models.functions import RowNumber
from django.utils import timezone

from maintenance.models import JobUse, Loading
from maintenance.wear.purging import MaterialChange, PurgeMaterial, assess_change
from spools.catalogue.values import material_values
from spools.models import Feedstock, Spool

OVERHEATED = " if overheated"


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
    found: dict[int, list[LoadedMaterial]] = {pk: [] for pk in ids}
    for row in rows:
        found[row.toolhead_id].append(LoadedMaterial(row.spool, row.printed))
    return found


def material_change(spool: Spool, fed: Sequence[LoadedMaterial], nozzle_c: float) -> MaterialChange | None:
    """The leftovers in the hot end for a spool that is printed next at nozzle_c.

    fed: as by load_last_materials.

    None: nothing was loaded before, or the same feedstock, or the spool has been printed since its change.
    """
    before = list(fed)
    if before and before[0].spool.pk == spool.pk:
        if before[0].printed:
            return None
        before = before[1:]
    if not before or before[0].spool.feedstock_id == spool.feedstock_id:
        return None
    return assess_change(material_of(before[0].spool.feedstock), material_of(spool.feedstock), nozzle_c)


def material_of(feedstock: Feedstock) -> PurgeMaterial:
    """A feedstock as the purging rules see it."""
    values, emission = material_values(feedstock), feedstock.polymer.emission
    return PurgeMaterial(
        feedstock.polymer.name,
        values.nozzle_min_c,
        values.nozzle_max_c,
        filler=feedstock.filler.name if feedstock.filler else "",
        overheated=emission.removesuffix(OVERHEATED) if emission.endswith(OVERHEATED) else "",
    )
