"""Fitted parts that may be used up."""

from datetime import timedelta

import pytest
from django.utils import timezone

from maintenance.jobs.records import record_job
from maintenance.machines.loading import load_spool, unload_spool
from maintenance.machines.printers import bring_back, retire
from maintenance.models import Loading
from maintenance.parts.fitting import fit_part, remove_part, replace_part
from maintenance.parts.stock import add_stock
from maintenance.reminders.sweep import sweep
from spools.facts import withdraw
from tests.maintenance.conftest import PRINT, kind, life_left
from tests.maintenance.reminders.shop_reminders import (
    commits,
    open_conditions,
    open_reminder,
    reminder_of,
    wear_out,
)
from tests.spools.conftest import hours_ago


@commits
def test_a_worn_nozzle_opens_when_the_job_is_recorded(shop, filled):
    nozzle = wear_out(shop, filled)
    reminder = reminder_of("replace")
    assert (reminder.part, reminder.toolhead) == (nozzle.part, shop.north)
    values = reminder.reason.values
    assert (values["part"], values["site"]) == ("brass 0.4", "North T0")
    # 0.17 (0.055 to 0.49) km of filler, as kg of fibre-filled filament.
    assert (values["life"], values["life_low"], values["life_high"]) == (0.19, 0.061, 0.54)
    assert reminder.remedy.values == {"in_stock": 5}
    assert reminder.due_at is not None and reminder.due_at <= timezone.now()


@commits
def test_the_due_date_follows_the_rate_of_use(shop, filled):
    nozzle = wear_out(shop, filled, grams=200)
    done_km = life_left([nozzle.part])[nozzle.part_id].age
    days = (reminder_of("replace").due_at - timezone.now()) / timedelta(days=1)
    # All of it in the twenty days since it was fitted, and the rest up to the expected 0.17 km at that rate.
    assert days == pytest.approx((0.17 - done_km) / done_km * 20, abs=0.1)


@commits
def test_replacing_a_part_resolves_its_reminder_at_once(shop, filled):
    wear_out(shop, filled)
    replace_part(shop.north, "nozzle", shop.brass)
    assert reminder_of("replace").ending == "resolved"


def test_parts_of_a_retired_printer_open_nothing(shop, filled):
    nozzle = wear_out(shop, filled)
    unload_spool(shop.north.loadings.get(end=None), shop.shelf)
    retire(shop.north.printer)
    sweep()
    assert open_conditions(kind="replace") == set()
    bring_back(shop.north.printer)
    sweep()
    assert open_conditions(kind="replace") == {f"replace:part:{nozzle.part_id}"}


@commits
def test_removing_the_part_or_withdrawing_the_job_resolves_it_too(shop, filled):
    nozzle = wear_out(shop, filled)
    job = shop.north.job_uses.get().job
    withdraw(job, reason="a mistake")
    assert reminder_of("replace").ending == "resolved"
    record_job(
        toolhead=shop.north,
        spool=filled,
        start=hours_ago(28),
        override_reason="a test",
        **PRINT | {"mass_g": 400},
    )
    assert open_conditions(kind="replace")
    remove_part(nozzle, removal="sound")
    assert not open_conditions(kind="replace")


@commits
def test_reminders_of_a_printer_end_when_it_retires_and_return_with_it(shop, filled):
    wear_out(shop, filled)
    unload_spool(Loading.objects.present().get(toolhead=shop.north), shop.box)
    before = open_conditions(toolhead=shop.north)
    assert "replace" in {condition.split(":")[0] for condition in before}
    retire(shop.north.printer)
    assert not open_conditions(toolhead=shop.north)
    sweep()
    assert not open_conditions(toolhead=shop.north)
    bring_back(shop.north.printer)
    assert open_conditions(toolhead=shop.north) == before


@commits
def test_a_part_of_the_whole_printer_opens_too(shop, filled):
    made = kind("surface", "thin sheet", life_unit="prints", life=1, life_low=0.4, life_high=2)
    add_stock(made, 2, at=hours_ago(40))
    fit_part(shop.north.printer, made, at=hours_ago(40))
    wear_out(shop, filled, grams=10)
    reminder = reminder_of("replace")
    values = reminder.reason.values
    assert (values["part"], values["site"]) == ("thin sheet", "North")
    assert (values["age"], values["unit"]) == (1, "prints")
    replace_part(shop.north.printer, "surface", made)
    assert reminder_of("replace").ending == "resolved"


@pytest.mark.parametrize(("grams", "urgent"), [(150, False), (500, True)])
@commits
def test_a_part_is_urgent_when_it_is_likelier_used_up_than_not(shop, filled, grams, urgent):
    load_spool(shop.north, filled, at=hours_ago(30), override_reason="a test")
    values = PRINT | {"mass_g": grams, "hours": 20}
    record_job(toolhead=shop.north, spool=filled, start=hours_ago(29), override_reason="a test", **values)
    reminder = open_reminder("replace")
    assert (reminder.reason.values["used_up_pct"] > 50) is urgent is (reminder.urgent_since is not None)
    assert reminder.amount_unit == "filled_kg" and reminder.amount > 0
