"""The cost of a print, spool by spool: filament, wear, the machine's hours and its power.

Computed with the prices and rates that are stored now; nothing is stored. A price that is missing is named, and the
cost without it is a lower bound. The wear of a part is its price times the share of its expected life that the print
used. Money is in the shop's currency.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from django.db.models import Case, F, FloatField, OuterRef, Q, QuerySet, Subquery, Sum, When
from django.db.models.functions import Cast, Coalesce

from maintenance.models import CostRates, Job, JobUse, WearEntry
from maintenance.parts.wear_entries import COUNTED
from spools.models import Ending, MassEntry, Spool
from spools.statements import Statement

BATCH = 500


@dataclass(frozen=True)
class Cost:
    """Money, in the shop's currency. purge: the part of filament that changes of spool purged.

    missing: the (code, name) of each price that is not known.
    """

    filament: float = 0.0
    wear: float = 0.0
    machine: float = 0.0
    energy: float = 0.0
    missing: frozenset[tuple[str, str]] = frozenset()
    purge: float = 0.0

    @property
    def total(self) -> float:
        return self.filament + self.wear + self.machine + self.energy

    @property
    def gaps(self) -> list[Statement]:
        """The prices that are not known: the total is at least as high."""
        return [Statement(f"cost.{code}", {"name": name}) for code, name in sorted(self.missing)]

    def __add__(self, other: "Cost") -> "Cost":
        return Cost(
            self.filament + other.filament,
            self.wear + other.wear,
            self.machine + other.machine,
            self.energy + other.energy,
            self.missing | other.missing,
            self.purge + other.purge,
        )


@dataclass(frozen=True)
class UseCost:
    """The share of one spool in a print that is over, with its cost. hours: its share of the job's, by mass."""

    use: JobUse
    hours: float
    cost: Cost


def load_rates() -> CostRates:
    """The shop's rates; an unsaved empty row before any was given."""
    return CostRates.objects.filter(pk=CostRates.ONLY).first() or CostRates(pk=CostRates.ONLY)


def load_costs(uses: QuerySet[JobUse]) -> list[UseCost]:
    """The cost of these uses, the oldest print first. Five queries, and four for each further 500 uses."""
    rates = load_rates()
    rows = list(
        uses.filter(job__withdrawn_at=None)
        .select_related(
            "job__printer", "spool__feedstock__maker", "spool__feedstock__polymer", "spool__feedstock__filler"
        )
        .defer("job__reasons")
        .order_by("job__start", "pk")
    )
    return [
        cost
        for first in range(0, len(rows), BATCH)
        for cost in _load_batch(rows[first : first + BATCH], rates)
    ]


def _load_batch(uses: list[JobUse], rates: CostRates) -> list[UseCost]:
    prices = _load_gram_prices({use.spool_id for use in uses}, {use.spool.feedstock_id for use in uses})
    wear, unpriced = _load_wear([use.pk for use in uses])
    of_jobs = JobUse.objects.filter(job__in={use.job_id for use in uses}).order_by().values("job")
    masses_g = dict(of_jobs.annotate(sum_g=Sum("mass_g")).values_list("job", "sum_g"))
    costs = []
    for use in uses:
        printer, hours = use.job.printer, use.job.hours * use.mass_g / masses_g[use.job_id]
        missing = set(unpriced.get(use.pk, ()))
        price = prices.get(("spool", use.spool_id), prices.get(("feedstock", use.spool.feedstock_id)))
        if price is None:
            missing.add(("no_spool_price", str(use.spool.feedstock)))
        energy = 0.0
        if printer.power_w is not None and rates.energy_per_kwh is not None:
            energy = hours * printer.power_w / 1000 * rates.energy_per_kwh
        cost = Cost(
            filament=use.mass_g * (price or 0.0),
            wear=wear.get(use.pk, 0.0),
            machine=hours * (printer.hour_rate or 0.0),
            energy=energy,
            missing=frozenset(missing),
            purge=use.purge_g * (price or 0.0),
        )
        costs.append(UseCost(use, hours, cost))
    return costs


def _load_gram_prices(spools: Iterable[int], feedstocks: Iterable[int]) -> dict[tuple[str, int], float]:
    """Price of a gram, by ("spool", id); by ("feedstock", id) that of its spool that came last with a price."""
    first_mass = (
        MassEntry.objects.valid()
        .filter(spool=OuterRef("pk"), kind__in=[MassEntry.Kind.RECEIVED, MassEntry.Kind.WEIGHED])
        .order_by("at", "pk")
        .annotate(
            net_g=Coalesce("net_change_g", F("gross_g") - Coalesce("core_mass_g", "spool__core_mass_g"))
        )
        .values("net_g")[:1]
    )
    priced_spools = (
        Spool.objects.filter(Q(pk__in=spools) | Q(feedstock__in=feedstocks), price__isnull=False)
        .exclude(endings__in=Ending.objects.valid().filter(kind=Ending.Kind.MISTAKE))
        .annotate(came_g=Subquery(first_mass))
        .order_by("received_at", "pk")
    )
    prices: dict[tuple[str, int], float] = {}
    for pk, feedstock, price, came_g in priced_spools.values_list("pk", "feedstock", "price", "came_g"):
        if price is not None and came_g is not None and came_g > 0:
            prices["spool", pk] = prices["feedstock", feedstock] = float(price) / came_g
    return prices


def _load_wear(uses: list[int]) -> tuple[dict[int, float], dict[int, set[tuple[str, str]]]]:
    """Cost of the wear by use, and the kinds of part that have no price."""
    used = Case(
        *(When(part__kind__life_unit=unit, then=F(unit)) for unit in COUNTED), output_field=FloatField()
    )
    rows = WearEntry.objects.filter(use__in=uses).order_by().annotate(used=used)
    priced = rows.filter(part__kind__price__isnull=False).values("use")
    cost = Sum(F("used") / F("part__kind__life") * Cast("part__kind__price", FloatField()))
    unpriced: dict[int, set[tuple[str, str]]] = {}
    without = rows.filter(part__kind__price__isnull=True, used__gt=0)
    for use, kind in without.values_list("use", "part__kind__name").distinct():
        unpriced.setdefault(use, set()).add(("no_part_price", kind))
    return dict(priced.annotate(sum=cost).values_list("use", "sum")), unpriced


def load_job_cost(job: Job) -> Cost:
    """The cost of one print; zero of one that is withdrawn or not over."""
    return sum((use.cost for use in load_costs(JobUse.objects.filter(job=job))), Cost())


def started(since: datetime | None, until: datetime | None) -> Q:
    """Of uses: their print began in this span."""
    return (Q(job__start__gte=since) if since else Q()) & (Q(job__start__lt=until) if until else Q())
