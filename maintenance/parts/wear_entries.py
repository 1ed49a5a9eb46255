"""The wear entries of parts, a cache of jobs and fittings; and the stock of parts."""

from collections import defaultdict
from collections.abc import Sequence
from datetime import datetime
from math import pi
from typing import Any

from django.db import transaction
from django.db.models import Q, QuerySet, Sum
from django.utils.translation import gettext_lazy

from maintenance.models import (
    Fitting,
    JobUse,
    Part,
    PartKind,
    Printer,
    Reservation,
    StockEntry,
    Toolhead,
    WearEntry,
)
from maintenance.wear.abrasion import Filament, PrintUse, Surface, wear
from maintenance.wear.heat import ageing_kj_mol
from maintenance.wear.prior_use import USUAL
from spools.catalogue.values import filler_volume_fraction, material_values
from spools.models import Feedstock, Filler, Polymer, Spool

UNIT_WORDS: dict[str, Any] = {
    # As abrasion.in_hand has it: nobody has kilometres of filler in hand.
    "filled_kg": gettext_lazy("kg of fibre-filled filament"),
    PartKind.Unit.FEED: gettext_lazy("km of filament"),
    PartKind.Unit.HOT: gettext_lazy("hot hours"),
    PartKind.Unit.RESIDUE: gettext_lazy("charring hours"),
    PartKind.Unit.HOURS: gettext_lazy("hours of printing"),
    PartKind.Unit.PRINTS: gettext_lazy("prints"),
    PartKind.Unit.DAYS: gettext_lazy("days"),
}
FILLED_G = gettext_lazy("g of fibre-filled filament")
PLAIN_KG = gettext_lazy("kg of filament")
# kg of a kilometre of usual filament.
KG_KM = pi / 4 * USUAL.diameter_mm**2 * USUAL.density_g_cm3
# The units that jobs add to. Days pass by themselves.
COUNTED = [unit.value for unit in PartKind.Unit if unit != PartKind.Unit.DAYS]


def scale_life(unit: str, likely: float) -> tuple[float, str]:
    """A factor for amounts of one sentence and the words of their unit: as people have it in hand.

    Grams of filled filament if the likely amount is below a kilogram; kilograms of usual filament for its kilometres.
    """
    if unit == PartKind.Unit.FEED:
        return KG_KM, str(PLAIN_KG)
    return (1000.0, str(FILLED_G)) if unit == "filled_kg" and likely < 1 else (1.0, str(UNIT_WORDS[unit]))


def filament_of(feedstock: Feedstock) -> Filament:
    """The wear model's view of a feedstock. No query when polymer and filler are loaded with it."""
    values = material_values(feedstock)
    filler = feedstock.filler
    return Filament(
        values.density_g_cm3,
        feedstock.diameter_mm,
        filler_volume_fraction(feedstock),
        None if filler is None else filler.hardness_hv,
        values.nozzle_c,
        ageing_kj_mol(feedstock.polymer.name),
        None if filler is None else (filler.hardness_low_hv, filler.hardness_high_hv),
    )


def surface_of(kind: PartKind) -> Surface:
    return Surface(kind.hardness_hv, kind.bore_mm, kind.heat_reference_c)


@transaction.atomic
def recount_wear(uses: QuerySet[JobUse]) -> list[str]:
    """Computes the wear entries of these uses from jobs and fittings. Returns the changes, in words."""
    before = {(row.part_id, row.use_id): row for row in WearEntry.objects.filter(use__in=uses)}
    after = {(row.part_id, row.use_id): row for row in _entries(uses)}
    wrong = [key for key, row in before.items() if key not in after or _numbers(row) != _numbers(after[key])]
    missing = [key for key in after if key not in before]
    WearEntry.objects.filter(pk__in=[before[key].pk for key in wrong]).delete()
    WearEntry.objects.bulk_create(row for key, row in after.items() if key in {*wrong, *missing})
    return [
        f"Part {part_id}, job use {use_id}: other wear." for part_id, use_id in sorted({*wrong, *missing})
    ]


def recount_site_wear(site: Toolhead | Printer, since: datetime) -> None:
    """Its fittings changed at ``since``: jobs from then on wore other parts than was thought."""
    on_site = Q(toolhead=site) if isinstance(site, Toolhead) else Q(job__printer=site)
    recount_wear(JobUse.objects.filter(on_site, job__start__gte=since))


def recount_material_wear(instance: Polymer | Filler | Feedstock, created: bool, **_: Any) -> None:
    """A receiver of post_save: densities, hardness and activation energy of a material decide its wear."""
    if not created:
        materials = {Polymer: "spool__feedstock__polymer", Filler: "spool__feedstock__filler"}
        path = materials.get(type(instance), "spool__feedstock")
        recount_wear(JobUse.objects.filter(**{path: instance}))


def recount_spool_wear(instance: Spool, update_fields: frozenset[str] | None = None, **_: Any) -> None:
    """A receiver of post_save: a spool turned out to be another feedstock, which wore the parts otherwise."""
    if update_fields and "feedstock" in update_fields:
        recount_wear(JobUse.objects.filter(spool=instance))


def rebuild_wear() -> list[str]:
    """All wear entries again from jobs and fittings. Returns what changed, in words: nothing should."""
    return recount_wear(JobUse.objects.all())


def _numbers(row: WearEntry) -> tuple[float, ...]:
    return *(getattr(row, unit) for unit in COUNTED), row.mass_g


def _entries(uses: QuerySet[JobUse]) -> list[WearEntry]:
    """An entry for each part that was on the machine when a job that was not withdrawn began."""
    uses_found = list(
        uses.filter(job__withdrawn_at=None).select_related(
            "job", "spool__feedstock__polymer", "spool__feedstock__filler"
        )
    )
    masses_g = _masses_g(uses_found)
    on_toolhead, on_printer = _fittings(uses_found)
    return [
        _entry(use, fitting.part, use.mass_g / masses_g[use.job_id, whole])
        for use in uses_found
        for whole, fittings in (
            (use.toolhead_id, on_toolhead[use.toolhead_id]),
            (None, on_printer[use.job.printer_id]),
        )
        for fitting in fittings
        if fitting.start <= use.job.start and (fitting.end is None or use.job.start < fitting.end)
    ]


def _masses_g(uses: list[JobUse]) -> dict[tuple[int, int | None], float]:
    """The grams of jobs, printed or still to print: by job and toolhead, and by job and None."""
    masses_g: dict[tuple[int, int | None], float] = defaultdict(float)
    job_ids = {use.job_id for use in uses}
    # A print that went on to another spool has used one and reserved the next.
    for model in (JobUse, Reservation):
        rows = model.objects.filter(job__in=job_ids).order_by("pk")
        for job_id, toolhead_id, mass_g in rows.values_list("job", "toolhead", "mass_g"):
            masses_g[job_id, toolhead_id] += mass_g
            masses_g[job_id, None] += mass_g
    return masses_g


def _fittings(uses: list[JobUse]) -> tuple[dict[int, list[Fitting]], dict[int, list[Fitting]]]:
    """All fittings of the toolheads and of the printers of these uses, by their ids."""
    sites = Q(toolhead__in={use.toolhead_id for use in uses}) | Q(
        printer__in={u.job.printer_id for u in uses}
    )
    on_toolhead: dict[int, list[Fitting]] = defaultdict(list)
    on_printer: dict[int, list[Fitting]] = defaultdict(list)
    for fitting in Fitting.objects.valid().filter(sites).select_related("part__kind"):
        if fitting.toolhead_id is not None:
            on_toolhead[fitting.toolhead_id].append(fitting)
        elif fitting.printer_id is not None:
            on_printer[fitting.printer_id].append(fitting)
    return on_toolhead, on_printer


def _entry(use: JobUse, part: Part, share: float) -> WearEntry:
    """share: this spool's share of what the job took through the toolhead, or of the whole job."""
    print_use = PrintUse(
        use.mass_g / 1000, use.job.hours * share, use.job.nozzle_c, (use.retracted_m or 0) / 1000, share
    )
    worn = wear(print_use, filament_of(use.spool.feedstock), surface_of(part.kind))
    return WearEntry(part=part, use=use, mass_g=use.mass_g, **{unit: getattr(worn, unit) for unit in COUNTED})


def in_stock(kinds: Sequence[PartKind] | QuerySet[PartKind] | None = None) -> dict[int, float]:
    """How much of each kind is in stock in its unit, by kind id; kinds that never were are not in it."""
    entries = StockEntry.objects.valid().order_by()
    if kinds is not None:
        entries = entries.filter(kind__in=kinds)
    sums = entries.values("kind").annotate(count=Sum("change")).values_list("kind", "count")
    return {kind: whole_if_possible(count) for kind, count in sums}


def whole_if_possible(count: float) -> float:
    """A count of pieces as a whole number; grams and millilitres to a thousandth."""
    return int(count) if count == int(count) else round(count, 3)
