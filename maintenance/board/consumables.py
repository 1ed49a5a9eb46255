"""When the stock of consumables runs out: from the services that come due and from what was taken otherwise."""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta
from math import exp, sqrt
from typing import NamedTuple

from django.db.models import Count, Min, Sum

from maintenance.board.upkeep import Upkeep
from maintenance.models import PartKind, ServiceKind, StockEntry
from maintenance.parts.part_facts import DAY
from spools.statements import Statement

# What left the stock without a service counts over so many days, or since the first stock if that is shorter.
LOOKED_BACK, SHORTEST = timedelta(days=90), timedelta(days=14)
# The use of a small shop changes by about this share from one month to another. Common practice, no source.
USE_SD = 0.25
# Normal deviates of 10 % and 90 %.
DEVIATE = 1.28
FORESEEABLE_DAYS = 3650


class RunOut(NamedTuple):
    """When a stock runs out at the present use: likely, and the times of 10 % and 90 %. a_month: used in 30 days."""

    at: datetime
    early_at: datetime
    late_at: datetime
    a_month: float
    unit: str

    @property
    def statement(self) -> Statement:
        days = {name: getattr(self, name).isoformat() for name in ("at", "early_at", "late_at")}
        return Statement(
            "consumable.lasts", {**days, "a_month": self.a_month, "unit": self.unit, "days": LOOKED_BACK.days}
        )


def forecast_stock(
    counts: Mapping[int, float], upkeep: Mapping[int, Upkeep], now: datetime
) -> dict[int, RunOut]:
    """The run-out of each consumable that is used, by kind id. Three queries.

    counts: the stock by kind id. upkeep: of all toolheads in use. The services come due at the present rate of use.
    """
    # By kind id: (uses a day, amount of each).
    uses: dict[int, list[tuple[float, float]]] = defaultdict(list)
    for kind_id, a_day, amount in [*_from_services(upkeep), *_from_stock(now)]:
        uses[kind_id].append((a_day, amount))
    kinds = PartKind.objects.in_bulk([pk for pk in uses if counts.get(pk, 0) > 0])
    return {
        pk: run_out
        for pk, kind in kinds.items()
        if (run_out := _run_out(counts[pk], uses[pk], str(kind.get_stock_unit_display()), now)) is not None
    }


def _run_out(count: float, uses: Iterable[tuple[float, float]], unit: str, now: datetime) -> RunOut | None:
    uses = [(a_day, amount) for a_day, amount in uses if a_day > 0 and amount > 0]
    used_a_day = sum(a_day * amount for a_day, amount in uses)
    days = count / used_a_day if used_a_day else FORESEEABLE_DAYS
    if days >= FORESEEABLE_DAYS:
        return None
    number = max(1.0, days * sum(a_day for a_day, _ in uses))
    spread = exp(DEVIATE * sqrt(USE_SD**2 + 1 / number))
    early, late = now + timedelta(days=days / spread), now + timedelta(days=days * spread)
    return RunOut(now + timedelta(days=days), early, late, 30 * used_a_day, unit)


def _from_services(upkeep: Mapping[int, Upkeep]) -> list[tuple[int, float, float]]:
    """(consumable, services a day, amount of each) of each machine and service that takes some."""
    takes = ServiceKind.objects.filter(in_use=True).in_bulk()
    takes = {pk: kind for pk, kind in takes.items() if kind.consumable_id is not None}
    # The service of a printer stands in the row of each of its toolheads.
    due = {
        (service.kind, service.printer, service.toolhead): service.since.per_day / service.since.interval
        for toolhead in upkeep.values()
        for service in toolhead.services
        if service.kind in takes
    }
    return [
        (takes[pk].consumable_id or 0, a_day, takes[pk].consumable_amount or 0.0)
        for (pk, _, _), a_day in due.items()
    ]


def _from_stock(now: datetime) -> list[tuple[int, float, float]]:
    """(consumable, takings a day, mean amount) of what was taken without a service: charges, and by hand."""
    valid = StockEntry.objects.valid().filter(at__lte=now, kind__life_unit="")
    taken = valid.filter(change__lt=0, service=None, at__gt=now - LOOKED_BACK).order_by()
    first = dict(valid.order_by().values_list("kind").annotate(first=Min("at")))
    rows = []
    for kind, number, change in taken.values_list("kind").annotate(number=Count("pk"), sum=Sum("change")):
        days = min(max(now - first[kind], SHORTEST), LOOKED_BACK) / DAY
        rows.append((kind, number / days, -change / number))
    return rows
