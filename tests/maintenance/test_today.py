from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from background.running import run_due
from maintenance.machines.loading import load_spool
from maintenance.models import Printer
from maintenance.reminders.sweep import sweep
from maintenance.today import build_today, list_first_steps
from spools.drying.runs import DryingSettings, start_drying
from spools.invalidation import invalidate_after, invalidate_all
from spools.inventory.endings import end_spool
from spools.models import DryingRun, Place
from tests.spools.conftest import feedstock, hours_ago, receive


def test_a_dry_spool_is_ready_on_the_toolhead_that_suits_it(shop, plain, filled):
    rows = {row.material: row for row in build_today().ready}
    assert set(rows) == {"PLA", "PLA with 15 % carbon fibre"}
    assert (rows["PLA"].spool, rows["PLA"].verdict.state) == (plain, "clear")
    assert rows["PLA with 15 % carbon fibre"].toolhead == shop.south
    assert rows["PLA"].board.mass_g == pytest.approx(1000)


def test_a_material_has_one_row_with_its_best_spool(shop, plain):
    receive(shop.pla, shop.box, net_mass_g=300, card="dry")
    end_spool(receive(shop.pla, shop.box, net_mass_g=3000, width_mm=100, card="dry"))
    [row] = build_today().ready
    assert row.spool == plain


def test_a_loaded_spool_comes_first_and_is_on_the_picture_of_its_machine(shop, plain):
    assert not build_today().ready[0].is_loaded
    other = receive(shop.pla, shop.box, net_mass_g=300, card="dry")
    load_spool(shop.north, other, at=hours_ago(1))
    today = build_today()
    [row] = today.ready
    assert (row.spool, row.toolhead, row.is_loaded) == (other, shop.north, True)
    machines = {machine.printer: machine for machine in today.machines}
    north, south = machines[shop.north.printer], machines[shop.south.printer]
    assert (north.state, south.state) == ("free", "empty")
    [loaded] = north.toolheads[0].spools
    assert (loaded.spool, loaded.state) == (other, row.verdict.state)
    assert loaded.core < loaded.radius < 1


def test_a_wet_spool_is_held_where_it_would_suit_best(shop, wet):
    [row] = build_today().later
    assert (row.material, row.spool) == ("PA6", wet)
    assert [check.name for check in row.verdict.holds] == ["moisture"]
    assert build_today().ready == []


def test_a_drying_spool_is_ready_when_its_hours_are_over(shop):
    spool = receive(feedstock("PETG"), shop.shelf, core_material="pc")
    [run] = start_drying([spool], shop.dryer, DryingSettings(60, planned_hours=60), at=hours_ago(2))
    [row] = build_today().later
    end = run.start + timedelta(hours=60)
    assert end <= row.ready_at < end + timedelta(minutes=15) and row.ready_at.minute % 15 == 0


def test_hours_that_do_not_suffice_are_not_believed(shop, wet):
    [run] = start_drying([wet], shop.dryer, DryingSettings(70, planned_hours=10), at=hours_ago(2))
    [row] = build_today().later
    assert row.ready_at > run.start + timedelta(hours=10)
    DryingRun.objects.update(target_pct=0.01)
    invalidate_all()
    [row] = build_today().later
    assert row.ready_at is None


def test_a_spool_that_no_machine_can_print_is_not_ready_after_drying(shop, wet):
    start_drying([wet], shop.dryer, DryingSettings(75, planned_hours=60), at=hours_ago(2))
    for printer in Printer.objects.all():
        printer.bed_max_c = 20
        printer.save()
    [row] = build_today().later
    assert row.ready_at is None
    assert {check.name for check in row.verdict.holds} >= {"temperature"}


def test_without_a_printer_nothing_prints(shop, plain):
    Printer.objects.update(retired_at=timezone.now())
    today = build_today()
    assert today.ready == []
    assert [(row.toolhead, row.verdict) for row in today.later] == [(None, None)]


def test_an_empty_shop_has_an_empty_day(db):
    board = build_today()
    assert (board.ready, board.later, list(board.due)) == ([], [], [])


def test_due_reminders_are_listed(shop, wet):
    load_spool(shop.north, wet, override_reason="a test")
    sweep()
    assert [reminder.spool for reminder in build_today().due] == [wet]


def test_today_takes_as_many_queries_however_many_spools(shop, wet, plain):
    build_today()
    with CaptureQueriesContext(connection) as few:
        build_today()
    for material in (shop.pla, shop.nylon, shop.carbon):
        receive(material, shop.shelf)
    build_today()
    with CaptureQueriesContext(connection) as many:
        build_today()
    assert len(many) == len(few) <= 28


def test_a_new_shop_sees_the_first_steps(db):
    assert [step.is_done for step in list_first_steps()] == [False] * 5
    Place.objects.create(name="Shelf by the door", kind="shelf")
    assert [step.is_done for step in list_first_steps()] == [True, False, False, False, False]


def test_a_furnished_shop_has_done_its_first_steps(shop, wet):
    assert all(step.is_done for step in list_first_steps())


def test_more_stale_spools_than_a_page_computes_are_shown_with_their_age(shop, wet, plain, monkeypatch):
    monkeypatch.setattr("spools.board.board.AT_ONCE", 1)
    build_today()
    run_due()
    stored = build_today()
    assert stored.behind == 0
    invalidate_after([wet.pk, plain.pk], hours_ago(1))
    aged = build_today()
    assert aged.behind == 2
    assert aged.computed_at <= stored.computed_at
    assert {row.material for row in aged.ready} == {row.material for row in stored.ready}
