"""Consumables: services and charges of desiccant take them from stock."""

from datetime import datetime
from typing import Any

from django.db.models import QuerySet
from django.utils import translation

from maintenance.changes import STOCK, facts_changed
from maintenance.models import PartKind, ServiceEntry, StockEntry
from maintenance.parts.stock import lock_kind
from maintenance.parts.wear_entries import in_stock
from spools.facts import mark_withdrawn
from spools.models import DesiccantCharge


def take_for_service(entry: ServiceEntry) -> None:
    """Take what a service of its kind uses from stock, in the transaction that records it."""
    kind = entry.kind
    if kind.consumable is not None and kind.consumable_amount is not None:
        _take(kind.consumable, kind.consumable_amount, entry.at, str(kind), service=entry)


def take_for_charge(instance: DesiccantCharge, created: bool, **_: Any) -> None:
    """A receiver of post_save: new desiccant comes from stock; it is in stock again when the charge is withdrawn.

    The stock is of the kind of desiccant whose material has the name of the charge's, such as silica gel.
    """
    if not created:
        if instance.withdrawn_at is not None:
            return_to_stock(StockEntry.objects.filter(charge=instance), instance)
        return
    if instance.condition != DesiccantCharge.Condition.NEW or not instance.dry_mass_g:
        return
    # Names of materials are data of the shop: in English as in the catalogue, whatever language the page has.
    with translation.override("en"):
        material = str(DesiccantCharge.Kind(instance.kind).label)
    kinds = PartKind.objects.filter(
        role=PartKind.Role.DESICCANT,
        stock_unit=PartKind.StockUnit.GRAMS,
        material__iexact=material,
    )
    counts = in_stock(kinds)
    kind = next((kind for kind in kinds if counts.get(kind.pk, 0) > 0), None)
    if kind is not None:
        _take(kind, instance.dry_mass_g, instance.at, str(instance.place), charge=instance)


def return_to_stock(taken: QuerySet[StockEntry], fact: ServiceEntry | DesiccantCharge) -> None:
    """What was taken for a fact that is withdrawn is in stock again."""
    for entry in taken.filter(withdrawn_at=None):
        mark_withdrawn(entry, by=fact.withdrawn_by, reason=fact.withdrawn_reason)
        facts_changed(STOCK)


def _take(
    kind: PartKind,
    amount: float,
    at: datetime,
    note: str,
    *,
    service: ServiceEntry | None = None,
    charge: DesiccantCharge | None = None,
) -> None:
    """Take as much as there is: the use is a fact, also where the count of the stock was too low."""
    kind = lock_kind(kind)
    amount = min(amount, in_stock([kind]).get(kind.pk, 0))
    fact = service or charge
    if amount <= 0 or fact is None:
        return
    StockEntry.objects.create(
        kind=kind,
        at=at,
        change=-amount,
        note=note[:200],
        recorded_by=fact.recorded_by,
        service=service,
        charge=charge,
    )
    facts_changed(STOCK)
