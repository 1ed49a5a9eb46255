from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from maintenance.machines.loading import load_spool
from maintenance.models import Printer
from maintenance.reminders.sweep import sweep
from maintenance.today import build_today, list_first_steps
from spools.codes import pretty
from spools.drying.runs import DryingSettings, start_drying
from spools.inventory.moves import mark_empty
from spools.models import DryingRun, Place
from tests.spools.conftest import hours_ago, receive


def test_a_dry_spool_is_ready_on_the_toolhead_that_suits_it(shop, plain, filled):
    rows = {row.material: row for row in build_today().ready}
    assert set(rows) == {"PLA", "PLA with 15 % carbon fibre"}
    assert (rows["PLA"].spool, rows["PLA"].verdict.state) == (plain, "clear")
    assert rows["PLA with 15 % carbon fibre"].toolhead == shop.south
    assert rows["PLA"].amount.mass_g == pytest.approx(1000)


def test_a_material_has_one_row_with_its_best_spool(shop, plain):
    receive(shop.pla, shop.box, net_mass_g=300, card="dry")
    mark_empty(receive(shop.pla, shop.box, net_mass_g=3000, width_mm=100, card="dry"))
    [row] = build_today().ready
    assert row.spool == plain


def test_a_loaded_spool_comes_first(shop, plain):
    other = receive(shop.pla, shop.box, net_mass_g=300, card="dry")
    load_spool(shop.north, other, at=hours_ago(1))
    [row] = build_today().ready
    assert (row.spool, row.toolhead) == (other, shop.north)


def test_a_wet_spool_is_ready_after_drying_that_starts_now(shop, wet):
    [row] = build_today().later
    assert (row.material, row.spool, row.dryer) == ("PA6", wet, shop.dryer)
    assert 1 < row.plan.hours < 72
    assert row.ready_at == pytest.approx(
        timezone.now() + timedelta(hours=row.plan.hours), abs=timedelta(minutes=1)
    )
    assert f"after {row.plan.hours:g} h at 75 °C in Dryer" in row.reason
    assert build_today().ready == []


def test_the_dryer_that_is_ready_first_is_named(shop, wet):
    shop.dryer.max_set_point_c = 50
    shop.dryer.save()
    hot = type(shop.dryer).objects.create(
        name="Hot dryer", kind="dryer", max_set_point_c=110, room=shop.shelf, moved_air=True
    )
    [row] = build_today().later
    assert row.dryer == hot


def test_a_spool_that_the_dryer_cannot_make_safe_shows_it(shop, wet):
    shop.dryer.max_set_point_c = 35
    shop.dryer.save()
    shop.shelf.assumed_rh_pct = 80
    shop.shelf.save()
    [row] = build_today().later
    assert (row.ready_at, row.plan.hours) == (None, None)
    assert "cannot be made safe here" in row.reason


def test_without_a_dryer_nothing_wet_gets_ready(shop, wet):
    shop.dryer.delete()
    [row] = build_today().later
    assert row.ready_at is None and "no dryer" in row.reason


def test_a_drying_spool_is_ready_when_its_hours_are_over(shop, wet):
    [run] = start_drying([wet], shop.dryer, DryingSettings(75, planned_hours=60), at=hours_ago(2))
    [row] = build_today().later
    assert row.ready_at == run.start + timedelta(hours=60)
    assert "planned until" in row.reason and "likely" not in row.reason


def test_hours_that_do_not_suffice_are_not_believed(shop, wet):
    [run] = start_drying([wet], shop.dryer, DryingSettings(75, planned_hours=10), at=hours_ago(2))
    [row] = build_today().later
    assert row.ready_at > run.start + timedelta(hours=10)
    assert "likely not dry enough: leave it in until" in row.reason
    DryingRun.objects.update(target_pct=0.01)
    [row] = build_today().later
    assert row.ready_at is None and "does not get below 0.01 %" in row.reason


def test_a_spool_that_no_machine_can_print_shows_the_reason(shop, wet):
    Printer.objects.update(bed_max_c=20)
    [row] = build_today().later
    assert (row.dryer, row.ready_at) == (None, None)
    assert "A bed of" in row.reason and "Take another printer." in row.reason


def test_without_a_printer_nothing_prints(shop, plain):
    Printer.objects.update(retired_at=timezone.now())
    board = build_today()
    assert board.ready == []
    assert "no printer in use" in board.later[0].reason


def test_an_empty_shop_has_an_empty_day(db):
    board = build_today()
    assert (board.ready, board.later, board.due) == ([], [], [])


def test_due_reminders_are_listed(shop, wet):
    sweep()
    assert [reminder.spool for reminder in build_today().due] == [wet]


def test_today_takes_as_many_queries_however_many_spools(shop, wet, plain):
    with CaptureQueriesContext(connection) as few:
        build_today()
    for feedstock in (shop.pla, shop.nylon, shop.carbon):
        receive(feedstock, shop.shelf)
    with CaptureQueriesContext(connection) as many:
        build_today()
    assert len(many) == len(few) <= 18


def test_a_new_shop_sees_the_first_steps(db):
    assert [step.is_done for step in list_first_steps()] == [False] * 5
    Place.objects.create(name="Shelf by the door", kind="shelf")
    assert [step.is_done for step in list_first_steps()] == [True, False, False, False, False]


def test_a_furnished_shop_has_done_its_first_steps(shop, wet):
    assert all(step.is_done for step in list_first_steps())


def test_a_dryer_with_a_finished_run_names_what_has_to_come_out(shop, wet, plain):
    start_drying([plain], shop.dryer, DryingSettings(45, planned_hours=6), at=hours_ago(7))
    [row] = [row for row in build_today().later if row.spool == wet]
    assert f"when {pretty(plain.code)} is taken out" in row.reason


def test_a_busy_dryer_counts_from_when_it_is_free(shop, wet, plain):
    [run] = start_drying([plain], shop.dryer, DryingSettings(45, planned_hours=6), at=hours_ago(1))
    [row] = [row for row in build_today().later if row.spool == wet]
    assert "once that dryer is free" in row.reason
    assert row.ready_at > run.start + timedelta(hours=6)
