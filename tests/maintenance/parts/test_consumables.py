"""Consumables: counted in ml, g or pieces, used by services and by the desiccant of dry boxes."""

from datetime import timedelta

import pytest
from django.core.exceptions import ValidationError
from django.utils import timezone, translation

from maintenance.board.consumables import forecast_stock
from maintenance.board.upkeep import ServiceUpkeep, Upkeep
from maintenance.models import PartKind, Reminder, ServiceKind, StockEntry
from maintenance.parts.fitting import fit_part
from maintenance.parts.stock import add_stock, save_kind
from maintenance.parts.wear_entries import in_stock
from maintenance.reminders.sweep import sweep
from maintenance.service.records import record_service
from maintenance.service.records import save_kind as save_service_kind
from maintenance.wear.intervals import ServiceProgress
from spools.air.dry_box import put_desiccant
from spools.facts import withdraw
from tests.refusals import refuses
from tests.spools.conftest import hours_ago


def consumable(role: str, name: str, unit: str = "", **values) -> PartKind:
    return save_kind(PartKind(role=role, name=name, stock_unit=unit, **values))


@pytest.fixture
def grease(shop) -> PartKind:
    kind = consumable("lubricant", "grease", "g", reorder_point=8)
    add_stock(kind, 10, at=hours_ago(100))
    return kind


@pytest.fixture
def greasing(grease) -> ServiceKind:
    return save_service_kind(
        ServiceKind(
            name="greasing",
            work="lubrication",
            subject="printer",
            unit="hours",
            interval=500,
            consumable=grease,
            consumable_amount=1.5,
            advice="Wipe, then a thin film.",
            source="invented",
            how="memory",
        )
    )


def test_a_service_takes_what_it_uses_and_gives_it_back_when_withdrawn(shop, grease, greasing):
    printer = shop.north.printer
    done = record_service(greasing, printer=printer, at=hours_ago(5), by=shop.user)
    assert in_stock()[grease.pk] == 8.5
    [taken] = done.taken.all()
    assert (taken.change, taken.recorded_by) == (-1.5, shop.user)
    with refuses("taken_for_a_service"):
        withdraw(taken, reason="no")
    sweep()
    assert not Reminder.objects.filter(part_kind=grease).exists()
    record_service(greasing, printer=printer)
    sweep()
    reminder = Reminder.objects.get(part_kind=grease, ended_at=None)
    assert (reminder.reason.code, reminder.amount) == ("reminder.consumable_low", 7)
    assert reminder.reason.values["unit"] == "g" and reminder.urgent_since is None
    withdraw(done, reason="not done")
    assert in_stock()[grease.pk] == 8.5


def test_a_service_is_recorded_though_the_stock_is_short(shop, grease, greasing):
    add_stock(grease, -9)
    record_service(greasing, printer=shop.north.printer)
    assert in_stock()[grease.pk] == 0
    record_service(greasing, printer=shop.south.printer)
    assert in_stock()[grease.pk] == 0


@pytest.mark.parametrize("language", ["en-gb", "de"])
def test_new_desiccant_comes_from_stock_in_any_language(shop, language):
    gel = consumable("desiccant", "silica gel", "g", material="silica gel")
    add_stock(gel, 500, at=hours_ago(100))
    regenerated = {"condition": "regenerated", "regenerated_c": 120.0}
    put_desiccant(shop.box, "silica_gel", 200, at=hours_ago(40), **regenerated)
    put_desiccant(shop.box, "molecular_sieve", 200, at=hours_ago(30), condition="new")
    assert in_stock()[gel.pk] == 500
    with translation.override(language):
        charge = put_desiccant(shop.box, "silica_gel", 150, at=hours_ago(20), condition="new")
    assert in_stock()[gel.pk] == 350
    withdraw(charge, reason="not put in")
    assert in_stock()[gel.pk] == 500
    assert StockEntry.objects.get(charge=charge).withdrawn_reason == "not put in"


def test_a_stock_runs_out_by_the_services_that_come_due_and_by_other_use(shop, grease, greasing):
    now = timezone.now()
    assert forecast_stock(in_stock(), {}, now) == {}
    add_stock(grease, -2, at=hours_ago(1))
    by_hand = forecast_stock(in_stock(), {}, now)[grease.pk]
    # 2 g in two weeks, the shortest time that counts, of the 8 g that are left.
    assert (by_hand.at - now) / timedelta(days=56) == pytest.approx(1)
    assert by_hand.early_at < by_hand.at < by_hand.late_at and by_hand.a_month == pytest.approx(30 / 7)
    # Each of two printers prints 10 h a day: 20 h of 500, and 1.5 g each time.
    since = ServiceProgress("greasing", "", "hours", 0.0, 500.0, per_day=10.0)
    services = [
        ServiceUpkeep(greasing.pk, False, "", head.printer_id, None, None, None, since)
        for head in (shop.north, shop.south)
    ]
    upkeep = {n: Upkeep("", now, [], [service], None) for n, service in enumerate([*services, services[0]])}
    both = forecast_stock(in_stock(), upkeep, now)[grease.pk]
    assert both.a_month == pytest.approx(30 * (1 / 7 + 2 * 10 / 500 * 1.5))
    assert (both.at - now) / timedelta(days=30 * 8 / both.a_month) == pytest.approx(1)


def test_what_no_consumable_and_no_part_is_is_refused(shop, grease):
    with refuses("fits_no_machine", "kind"):
        fit_part(shop.north, grease)
    with refuses("part_count", "count"):
        add_stock(shop.brass, 1.5)
    with pytest.raises(ValidationError):
        consumable("wipes", "wipes", life=5, life_low=1, life_high=9, life_unit="days")
    with pytest.raises(ValidationError):
        consumable("gears", "gears without a life")


def test_a_new_kind_asks_for_nothing(shop):
    wipes = consumable("wipes", "wipes")
    add_stock(wipes, 1)
    sweep()
    assert not Reminder.objects.filter(part_kind=wipes).exists()
