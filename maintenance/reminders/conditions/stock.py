"""Parts and feedstocks at or below their reorder points; 0 means that none are kept in stock."""

from collections import defaultdict
from collections.abc import Iterator, Mapping
from datetime import datetime, timedelta

from django.db.models import Min, Sum

from maintenance.board.consumables import RunOut, forecast_stock
from maintenance.board.upkeep import Upkeep
from maintenance.models import PartKind, Reminder, StockEntry
from maintenance.models.parts import IN_NO_MACHINE
from maintenance.parts.life import DAY, RATE_PERIOD
from maintenance.parts.wear_entries import in_stock
from maintenance.reminders.conditions.conditions import Condition
from spools.air.hourly import hour_of
from spools.board import board
from spools.inventory import ledger
from spools.models import Feedstock, MassEntry, Spool
from spools.physics_inputs import SMALL_JOB_G
from spools.statements import Statement
from spools.wording import round_as_shown

# Parts that are used up within this time have to be bought now. Common practice, no source.
DELIVERY = timedelta(days=14)
FORESEEABLE_DAYS = 3650


def check_stock(upkeep: Mapping[int, Upkeep], now: datetime) -> Iterator[Condition]:
    """Parts and feedstocks to buy; parts also when more of those that are fitted are used up before new ones can
    come than are in stock.
    """
    counts = in_stock()
    kinds = list(PartKind.objects.filter(reorder_point__gt=0, pk__in=counts))
    ends = _used_up_at(upkeep)
    consumables = [kind for kind in kinds if kind.role in IN_NO_MACHINE]
    run_outs = forecast_stock(counts, upkeep, now) if consumables else {}
    begun = _begun_with(kinds, now)
    for kind in kinds:
        if kind.role in IN_NO_MACHINE:
            reminder = _consumable(kind, counts[kind.pk], run_outs.get(kind.pk), now)
        else:
            reminder = _part(kind, counts[kind.pk], ends.get(kind.pk, []), now)
        if reminder is not None:
            # None left: urgent where one will be missing soon, or where nobody knows when.
            later = kind.pk in begun if reminder.due_at is None else reminder.due_at > now + DELIVERY
            yield Condition(reminder, urgent=counts[kind.pk] <= 0 and not later)
    feedstocks = list(Feedstock.objects.in_use().filter(reorder_point_g__gt=0).select_related("maker"))
    masses_g = _masses_g(feedstocks, now) if feedstocks else {}
    a_day_g = _used_a_day_g(feedstocks, now) if feedstocks else {}
    for feedstock in feedstocks:
        mass_g = masses_g.get(feedstock.pk, 0.0)
        if mass_g <= feedstock.reorder_point_g:
            reminder = _feedstock(feedstock, mass_g, a_day_g.get(feedstock.pk, 0.0), now)
            # Less than a small job is as good as none.
            yield Condition(reminder, urgent=mass_g < SMALL_JOB_G)


def _begun_with(kinds: list[PartKind], now: datetime) -> set[int]:
    """The kinds of which the first came into stock just now: nobody knows yet how fast the shop uses them."""
    entries = StockEntry.objects.valid().filter(kind__in=kinds).order_by()
    first = entries.values("kind").annotate(first=Min("at")).filter(first__gt=now - DELIVERY)
    return set(first.values_list("kind", flat=True))


def _masses_g(feedstocks: list[Feedstock], now: datetime) -> dict[int, float]:
    """Grams in stock by feedstock id, from the board; of spools whose row is stale from the ledger."""
    spools = Spool.objects.filter(feedstock__in=feedstocks, ended_at=None)
    fresh = board.rows_in_use().filter(board.is_fresh(now), spool__in=spools)
    masses_g: dict[int, float] = defaultdict(float)
    for feedstock, mass_g in fresh.values_list("spool__feedstock", "mass_g"):
        masses_g[feedstock] += mass_g
    stale = list(spools.exclude(pk__in=fresh.values("pk")))
    amounts = ledger.remaining_by_spool(stale) if stale else {}
    for spool in stale:
        masses_g[spool.feedstock_id] += amounts[spool.pk].mass_g
    return masses_g


def _used_up_at(upkeep: Mapping[int, Upkeep]) -> dict[int, list[datetime]]:
    """When the parts that are fitted will be used up at the present rate of use, by kind id."""
    # The part of a printer stands in the row of each of its toolheads.
    fitted = {part.part: part for toolhead in upkeep.values() for part in toolhead.parts}
    ends: dict[int, list[datetime]] = defaultdict(list)
    for part in fitted.values():
        if part.used_up_at is not None:
            ends[part.kind].append(part.used_up_at)
    return ends


def _part(kind: PartKind, count: float, ends: list[datetime], now: datetime) -> Reminder | None:
    soon = sum(end <= now + DELIVERY for end in ends)
    if count > kind.reorder_point and soon <= count:
        return None
    # When the first one is wanted that is not there.
    due_at = hour_of(sorted(ends)[int(count)]) if count < len(ends) else None
    values = {
        "part": str(kind),
        "in_stock": count,
        "reorder_point": kind.reorder_point,
        "used_up_soon": soon,
        "delivery_days": DELIVERY.days,
        "runs_out_at": due_at and due_at.isoformat(),
    }
    return Reminder(
        kind=Reminder.Kind.REORDER,
        condition=f"reorder:part_kind:{kind.pk}",
        reason=Statement("reminder.parts_low", values),
        remedy=Statement("reminder_remedy.buy_parts"),
        part_kind=kind,
        due_at=due_at,
        amount=count,
        amount_unit="in_stock",
        amount_falls=True,
    )


def _consumable(kind: PartKind, count: float, run_out: RunOut | None, now: datetime) -> Reminder | None:
    if count > kind.reorder_point and (run_out is None or run_out.at > now + DELIVERY):
        return None
    values = {
        "consumable": str(kind),
        "in_stock": count,
        "unit": str(kind.get_stock_unit_display()),
        "reorder_point": kind.reorder_point,
        # Of the hour, so that the same reminder does not change with each sweep.
        "runs_out_at": run_out and hour_of(run_out.at).isoformat(),
        "early_at": run_out and hour_of(run_out.early_at).isoformat(),
        "late_at": run_out and hour_of(run_out.late_at).isoformat(),
    }
    return Reminder(
        kind=Reminder.Kind.REORDER,
        condition=f"reorder:part_kind:{kind.pk}",
        reason=Statement("reminder.consumable_low", values),
        remedy=Statement("reminder_remedy.buy_parts"),
        part_kind=kind,
        due_at=run_out and hour_of(run_out.at),
        amount=count,
        amount_unit="in_stock",
        amount_falls=True,
    )


def _used_a_day_g(feedstocks: list[Feedstock], now: datetime) -> dict[int, float]:
    """Grams that left the spools of each feedstock a day, of late, by its id."""
    entries = MassEntry.objects.valid().filter(
        kind__in=[MassEntry.Kind.PRINTED, MassEntry.Kind.REMOVED],
        spool__feedstock__in=feedstocks,
        at__gt=now - RATE_PERIOD,
        at__lte=now,
    )
    sums = entries.order_by().values_list("spool__feedstock").annotate(g=Sum("net_change_g"))
    return {pk: -change_g / (RATE_PERIOD / DAY) for pk, change_g in sums}


def _feedstock(feedstock: Feedstock, mass_g: float, a_day_g: float, now: datetime) -> Reminder:
    days = mass_g / a_day_g if a_day_g > 0 else FORESEEABLE_DAYS
    # When all of it is used up.
    due_at = hour_of(now + timedelta(days=days)) if days < FORESEEABLE_DAYS else None
    values = {
        "feedstock": str(feedstock),
        "mass_g": round(mass_g),
        "reorder_point_g": feedstock.reorder_point_g,
        "used_g_per_day": round_as_shown(a_day_g),
        "runs_out_at": due_at and due_at.isoformat(),
    }
    return Reminder(
        kind=Reminder.Kind.REORDER,
        condition=f"reorder:feedstock:{feedstock.pk}",
        reason=Statement("reminder.feedstock_low", values),
        remedy=Statement("reminder_remedy.buy_spool"),
        feedstock=feedstock,
        due_at=due_at,
        amount=mass_g,
        amount_unit="g",
        amount_falls=True,
    )
