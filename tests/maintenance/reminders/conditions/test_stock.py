"""Parts and feedstocks at their reorder points."""

from datetime import timedelta

import pytest
from django.utils import timezone

from maintenance.machines.printers import add_toolhead
from maintenance.models import Fitting, PartKind, Reminder, Toolhead
from maintenance.parts.fitting import fit_part, remove_part
from maintenance.parts.life import RATE_PERIOD
from maintenance.parts.stock import add_stock
from maintenance.parts.wear_entries import in_stock
from maintenance.reminders.sweep import sweep
from spools.inventory.ledger import take
from tests.maintenance.reminders.shop_reminders import (
    address,
    commits,
    open_conditions,
    open_reminder,
    reminder_of,
    wear_out,
)
from tests.spools.conftest import hours_ago


@commits
def test_low_stock_opens_and_new_stock_resolves_at_once(shop):
    add_stock(shop.brass, 1 - in_stock()[shop.brass.pk])
    reminder = reminder_of("reorder")
    values = reminder.reason.values
    assert (reminder.part_kind, values["in_stock"], values["reorder_point"]) == (shop.brass, 1, 1)
    add_stock(shop.brass, 3)
    assert reminder_of("reorder").ending == "resolved"


@commits
def test_parts_that_will_be_used_up_before_delivery_are_reordered(shop, filled):
    wear_out(shop, filled, grams=300)
    assert not open_conditions(kind="reorder")
    add_stock(shop.brass, 2 - in_stock()[shop.brass.pk])
    assert not open_conditions(kind="reorder")
    nozzle = Fitting.objects.get(toolhead=shop.south, role="nozzle", end=None)
    remove_part(nozzle, removal="sound")
    fit_part(shop.south, shop.brass)
    values = reminder_of("reorder").reason.values
    assert (values["in_stock"], values["used_up_soon"], values["delivery_days"]) == (1, 1, 14)
    assert reminder_of("reorder").due_at is None


@commits
def test_a_reorder_is_due_when_stock_runs_out(shop, filled):
    wear_out(shop, filled, grams=300)
    add_stock(shop.brass, -in_stock()[shop.brass.pk])
    reorder = reminder_of("reorder")
    assert reorder.due_at == pytest.approx(reminder_of("replace").due_at, abs=timedelta(minutes=5))
    assert reorder.reason.values["runs_out_at"] == reorder.due_at.isoformat()


def test_a_kind_without_a_reorder_point_opens_nothing(shop):
    shop.brass.reorder_point = 0
    shop.brass.save()
    add_stock(shop.brass, -in_stock()[shop.brass.pk])
    assert open_conditions() == set()


def test_a_feedstock_below_its_reorder_point_opens(shop, plain):
    shop.pla.reorder_point_g = 800
    shop.pla.save()
    sweep()
    assert open_conditions() == set()
    take(plain, 200, at=hours_ago(1))
    sweep()
    assert reminder_of("reorder").feedstock == shop.pla
    reorder = reminder_of("reorder")
    a_day_g = 200 / (RATE_PERIOD / timedelta(days=1))
    assert reorder.reason.values == {
        "feedstock": str(shop.pla),
        "mass_g": 800,
        "reorder_point_g": 800,
        "used_g_per_day": pytest.approx(a_day_g, rel=0.05),
        "runs_out_at": reorder.due_at.isoformat(),
    }
    assert reorder.due_at - timezone.now() == pytest.approx(
        timedelta(days=800 / a_day_g), abs=timedelta(hours=2)
    )


@commits
def test_a_reorder_is_urgent_when_the_last_part_is_gone(shop):
    add_stock(shop.brass, 1 - in_stock()[shop.brass.pk])
    assert (open_reminder("reorder").amount, open_reminder("reorder").amount_falls) == (1, True)
    assert open_reminder("reorder").urgent_since is None
    add_stock(shop.brass, -1)
    assert open_reminder("reorder").urgent_since is not None
    assert address("reorder") == f"/stock/add/?kind={shop.brass.pk}"


def test_a_kind_that_the_shop_has_just_begun_with_is_not_urgent(shop):
    for days, urgent in ((0, False), (20, True)):
        kind = PartKind.objects.get(pk=shop.brass.pk)
        kind.pk, kind.name, kind.reorder_point = None, f"brass of {days} days", 1
        kind.save(force_insert=True)
        add_stock(kind, 1, at=hours_ago(24 * days))
        fit_part(add_toolhead(shop.north.printer, Toolhead(name=f"T{days + 5}")), kind)
        sweep()
        reminder = Reminder.objects.get(part_kind=kind, kind="reorder")
        assert (reminder.urgent_since is not None) == urgent


def test_a_feedstock_is_due_when_it_will_be_used_up(shop, plain):
    shop.pla.reorder_point_g = 800
    shop.pla.save()
    take(plain, 300, at=hours_ago(24))
    sweep()
    reminder = open_reminder("reorder")
    assert (reminder.amount, reminder.amount_unit, reminder.urgent_since) == (700, "g", None)
    # 300 g in the last 30 days: 700 g last for 70 more.
    assert (reminder.due_at - timezone.now()) / timedelta(days=1) == pytest.approx(70, abs=0.1)
    assert address("reorder") == f"/spools/receive/?feedstock={shop.pla.pk}"
    take(plain, 670, at=hours_ago(1))
    sweep()
    assert open_reminder("reorder").urgent_since is not None
