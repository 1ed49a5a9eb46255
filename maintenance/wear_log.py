"""What jobs did to parts: the wear entries (a cache of jobs and fittings), and the life they leave."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.db import transaction
from django.db.models import F, OuterRef, Q, QuerySet, Subquery, Sum, Value
from django.db.models.functions import Coalesce, Concat
from django.utils import timezone

from spools import catalogue
from spools.models import Feedstock

from .models import Fitting, JobUse, Part, PartKind, StockEntry, Toolhead, WearEntry
from .readiness import digits
from .wear.abrasion import Filament, Surface, Use, Wear, wear
from .wear.heat import ageing_kj_mol
from .wear.learning import Expected, learn
from .wear.life import Life, probability_used_up, remaining

UNIT_WORDS: dict[str, str] = {
    PartKind.Unit.DOSE: "km of filler",
    PartKind.Unit.FEED: "km of filament",
    PartKind.Unit.HOT: "hot hours",
}
# How far back the present rate of use is taken from.
RATE_OVER = timedelta(days=30)


def filament_of(feedstock: Feedstock) -> Filament:
    """What the wear model knows of a feedstock. No query when polymer and filler are loaded with it."""
    density_g_cm3 = catalogue.value(feedstock, "density_g_cm3")
    low_c, high_c = (catalogue.value(feedstock, name) for name in ("nozzle_min_c", "nozzle_max_c"))
    assert density_g_cm3 is not None and low_c is not None and high_c is not None
    filler = feedstock.filler
    return Filament(
        density_g_cm3,
        feedstock.diameter_mm,
        catalogue.filler_volume_fraction(feedstock),
        None if filler is None else filler.hardness_hv,
        (low_c + high_c) / 2,
        ageing_kj_mol(feedstock.polymer.name),
    )


def surface_of(kind: PartKind) -> Surface:
    return Surface(kind.hardness_hv, kind.bore_mm)


def life_of(kind: PartKind) -> Expected:
    return learn(Life(kind.life, kind.life_low, kind.life_high))


def counter(kind: PartKind, worn: Wear) -> float:
    """The one of the three numbers that this kind's life is counted in."""
    return float(getattr(worn, kind.life_unit))


# The entries


@transaction.atomic
def count_again(uses: QuerySet[JobUse]) -> list[str]:
    """Make the wear entries of these uses what jobs and fittings say. Returns what changed, in words."""
    before = {(row.part_id, row.use_id): row for row in WearEntry.objects.filter(use__in=uses)}
    after = {(row.part_id, row.use_id): row for row in _entries(uses)}
    wrong = [key for key, row in before.items() if key not in after or _numbers(row) != _numbers(after[key])]
    missing = [key for key in after if key not in before]
    WearEntry.objects.filter(pk__in=[before[key].pk for key in wrong]).delete()
    WearEntry.objects.bulk_create(row for key, row in after.items() if key in {*wrong, *missing})
    return [
        f"Part {part_id}, job use {use_id}: other wear." for part_id, use_id in sorted({*wrong, *missing})
    ]


def count_toolhead_again(toolhead: Toolhead, since: datetime) -> None:
    """Its fittings changed at ``since``: jobs from then on wore other parts than was thought."""
    count_again(JobUse.objects.filter(toolhead=toolhead, job__start__gte=since))


def rebuild_wear() -> list[str]:
    """All wear entries again from jobs and fittings. Returns what changed, in words: nothing should."""
    return count_again(JobUse.objects.all())


def _numbers(row: WearEntry) -> tuple[float, ...]:
    return row.dose_km, row.feed_km, row.hot_h, row.mass_g


def _entries(uses: QuerySet[JobUse]) -> list[WearEntry]:
    """An entry for each part that was on the toolhead when a job that was not withdrawn began."""
    found = list(
        uses.filter(job__withdrawn_at=None).select_related(
            "job", "spool__feedstock__polymer", "spool__feedstock__filler"
        )
    )
    fittings: dict[int, list[Fitting]] = {use.toolhead_id: [] for use in found}
    for fitting in Fitting.objects.filter(toolhead__in=fittings).select_related("part__kind"):
        fittings[fitting.toolhead_id].append(fitting)
    return [
        _entry(use, fitting.part)
        for use in found
        for fitting in fittings[use.toolhead_id]
        if fitting.start <= use.job.start and (fitting.end is None or use.job.start < fitting.end)
    ]


def _entry(use: JobUse, part: Part) -> WearEntry:
    done = Use(use.mass_g / 1000, use.job.hours, use.job.nozzle_c)
    worn = wear(done, filament_of(use.spool.feedstock), surface_of(part.kind))
    return WearEntry(
        part=part, use=use, dose_km=worn.dose_km, feed_km=worn.feed_km, hot_h=worn.hot_h, mass_g=use.mass_g
    )


# What they leave


@dataclass(frozen=True)
class LifeLeft:
    """Age and what is left of a part in the unit of its life; low to high are 10 % and 90 %."""

    age: float
    unit: str
    median_left: float
    low_left: float
    high_left: float
    probability_used_up: float
    why: list[str]


@dataclass(frozen=True)
class Aged:
    """A part with what its jobs did to it, in the unit of its life, and how many of its kind are in stock.

    sound_at: the age at which it was last taken off sound; recent: what the last RATE_OVER added.
    toolhead_id and toolhead_name: where it is fitted, for those that fitted_parts gives.
    """

    part: Part
    age: float
    sound_at: float
    recent: float
    in_stock: int
    toolhead_id: int = 0
    toolhead_name: str = ""

    @property
    def kind(self) -> PartKind:
        return self.part.kind

    def left(self) -> LifeLeft:
        """What is left of it."""
        life, unit = life_of(self.kind), UNIT_WORDS[self.kind.life_unit]
        left = remaining(life, self.age, self.sound_at)
        band = f"{digits(life.median)} ({digits(life.low)} to {digits(life.high)}) {unit}"
        why = [
            f"Its jobs add up to {digits(self.age)} {unit}.",
            f"Expected of the {self.kind}: {band}. {self.kind.source} ({self.kind.how}).",
        ]
        if self.sound_at:
            why.append(f"It was taken off sound at {digits(self.sound_at)} {unit}.")
        used_up = probability_used_up(life, self.age, sound_at=self.sound_at)
        return LifeLeft(self.age, self.kind.life_unit, left.median, left.low, left.high, used_up, why)


def aged(parts: QuerySet[Part], at: datetime | None = None) -> list[Aged]:
    """Parts with their wear by the jobs that began until ``at``. One query."""
    at = at or timezone.now()
    taken_off = Fitting.objects.filter(part=OuterRef("pk"), removal=Fitting.Removal.SOUND)
    sound_until = taken_off.order_by("-end").values("end")[:1]
    drawer = StockEntry.objects.filter(kind=OuterRef("kind")).order_by().values("kind")
    done = Q(wear__use__job__start__lte=at)
    counted = {
        "age": done,
        "sound_at": done & Q(wear__use__job__start__lt=F("sound_until")),
        "recent": done & Q(wear__use__job__start__gt=at - RATE_OVER),
    }
    sums = {
        f"{what}_{name}": Coalesce(Sum(f"wear__{name}", filter=which), 0.0)
        for what, which in counted.items()
        for name in UNIT_WORDS
    }
    rows = parts.select_related("kind").annotate(
        sound_until=Subquery(sound_until),
        drawer=Coalesce(Subquery(drawer.annotate(count=Sum("change")).values("count")), 0),
        **sums,
    )
    return [_aged(part) for part in rows]


def _aged(row: Any) -> Aged:
    numbers = {what: getattr(row, f"{what}_{row.kind.life_unit}") for what in ("age", "sound_at", "recent")}
    where = {name: getattr(row, name) for name in ("toolhead_id", "toolhead_name") if hasattr(row, name)}
    return Aged(part=row, in_stock=row.drawer, **numbers, **where)


def fitted_parts(toolhead_ids: Iterable[int] | None = None, at: datetime | None = None) -> list[Aged]:
    """The parts on these toolheads, or on all, at that time."""
    at = at or timezone.now()
    there = Q(fittings__end=None, fittings__isnull=False) | Q(fittings__end__gt=at)
    if toolhead_ids is not None:
        there &= Q(fittings__toolhead__in=list(toolhead_ids))
    parts = Part.objects.filter(there, fittings__start__lte=at).annotate(
        toolhead_id=F("fittings__toolhead"),
        toolhead_name=Concat("fittings__toolhead__printer__name", Value(" "), "fittings__toolhead__name"),
    )
    return aged(parts, at)


def life_left(parts: Iterable[Part]) -> dict[int, LifeLeft]:
    """What is left of each part, by part id. One query however many parts."""
    found = aged(Part.objects.filter(pk__in=[part.pk for part in parts]))
    return {of.part.pk: of.left() for of in found}


def in_stock(kinds: Sequence[PartKind] | QuerySet[PartKind] | None = None) -> dict[int, int]:
    """How many of each kind are in the drawer, by kind id; kinds that never were are not in it."""
    entries = StockEntry.objects.order_by()
    if kinds is not None:
        entries = entries.filter(kind__in=kinds)
    return dict(entries.values("kind").annotate(count=Sum("change")).values_list("kind", "count"))
