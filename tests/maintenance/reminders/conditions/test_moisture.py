"""Spools that are or will be too wet, and spools that a weighing would decide."""

from datetime import time, timedelta

import pytest
from django.utils import timezone

from maintenance.jobs.records import record_job
from maintenance.machines.loading import load_spool
from maintenance.models import Job, JobFile, JobFileMaterial, Reminder
from maintenance.reminders.conditions import moisture
from maintenance.reminders.conditions.moisture import find_damp_spools
from maintenance.reminders.conditions.wanted import find_wanted
from maintenance.reminders.reconcile import Counts
from maintenance.reminders.sweep import sweep
from maintenance.today import build_today
from spools.air.hourly import hour_of
from spools.board import board
from spools.drying.runs import DryingSettings, finish_drying, start_drying
from spools.drying.week.requests import add_print_request
from spools.facts import withdraw
from spools.inventory.ledger import weigh
from spools.inventory.moves import move_spool
from spools.inventory.openings import record_opening
from spools.models import PlannedDrying, SpoolBoard, WeekPlan
from spools.moisture.state import moisture_now
from tests.maintenance.conftest import PRINT
from tests.maintenance.reminders.shop_reminders import (
    address,
    dry_condition,
    is_open,
    open_conditions,
    open_reminder,
    reminder_of,
    want,
)
from tests.spools.conftest import feedstock, hours_ago, receive


def test_a_wet_spool_opens_one_reminder(shop, wet, plain):
    assert sweep().opened == 1
    reminder = reminder_of("dry")
    assert (reminder.condition, reminder.spool) == (dry_condition(wet), wet)
    values = reminder.reason.values
    assert (reminder.reason.code, values["polymer"]) == ("reminder.outer_turns_wet", "PA6")
    assert values["limit_pct"] == 0.5
    assert reminder.remedy == board.read([wet.pk])[wet.pk].advice
    assert reminder.remedy.values["drying"]["stages"][-1][0] in (75, 80)
    assert sweep() == Counts(0, 0)
    assert Reminder.objects.count() == 1


def test_nobody_is_reminded_of_a_damp_spool_that_nobody_wants(shop):
    spools = [receive(material, shop.shelf, sealed=False) for material in (shop.nylon, shop.nylon)]
    sweep()
    assert not is_open("dry")
    assert find_damp_spools().count() == build_today().damp == 2
    # A request for the material wants one spool of it, the least wet.
    request = add_print_request(shop.nylon, 50, timezone.now() + timedelta(days=2))
    sweep()
    [condition] = open_conditions()
    assert condition in map(dry_condition, spools) and find_damp_spools().count() == 1
    receive(shop.nylon, shop.bag, card="dry")
    sweep()
    assert not is_open("dry")
    withdraw(request, reason="printed")
    now = timezone.now()
    hours = {"staffed_from": time(7), "staffed_to": time(22)}
    plan = WeekPlan.objects.create(made_at=now, accepted_at=now, **hours)
    start = timezone.now() + timedelta(days=1)
    ends = {"start": start, "end": start + timedelta(hours=20)}
    PlannedDrying.objects.create(
        plan=plan, spool=spools[1], dryer=shop.dryer, set_point_c=75, target_pct=0.2, **ends
    )
    sweep()
    assert open_conditions() == {dry_condition(spools[1])}
    # A job that is planned with a spool wants it, though it is not loaded.
    numbers = PRINT | {"nozzle_c": 265, "bed_c": 80, "stage": "planned"}
    record_job(toolhead=shop.north, spool=spools[0], start=start, override_reason="it will be dry", **numbers)
    sweep()
    assert open_conditions() == set(map(dry_condition, spools))


def test_a_job_file_that_waits_wants_the_least_wet_spool_of_its_material(shop):
    spools = [receive(shop.nylon, shop.shelf, sealed=False) for _ in range(2)]
    file = JobFile.objects.create(name="hook.gcode", digest="0", size_bytes=9, state=JobFile.State.READ)
    stated = JobFileMaterial.objects.create(file=file, tool=0, feedstock=shop.nylon)
    sweep()
    [wanted] = find_wanted(0.2)
    assert wanted in {spool.pk for spool in spools} and is_open("dry")
    columns = {"start": hours_ago(8), "end": hours_ago(6), "hours": 2, "nozzle_c": 260, "bed_c": 80}
    job = Job.objects.create(printer=shop.north.printer, name="hook", file=file, **columns)
    assert find_wanted(0.2) == set()
    withdraw(job, reason="a test")
    assert find_wanted(0.2) == {wanted}
    JobFileMaterial.objects.filter(pk=stated.pk).update(stated_at=hours_ago(24 * 31))
    assert find_wanted(0.2) == set()


def test_it_is_resolved_in_the_dryer_and_opens_again_after_too_short_a_run(shop, wet):
    sweep()
    [run] = start_drying([wet], shop.dryer, DryingSettings(75), at=hours_ago(0.2))
    assert sweep().resolved == 1
    assert reminder_of("dry").ending == "resolved"
    finish_drying(run, place=shop.shelf)
    assert sweep().opened == 1
    assert open_conditions() == {dry_condition(wet)}


def test_an_unopened_spool_counts_as_dry_unless_its_card_is_wet(shop):
    receive(shop.nylon, shop.bag)
    assert sweep().opened == 0
    card = receive(shop.nylon, shop.bag, card="wet")
    want(card)
    sweep()
    assert open_conditions() == {dry_condition(card)}


def test_between_the_two_chances_nothing_opens_and_nothing_is_resolved(shop, wet, monkeypatch):
    sweep()
    monkeypatch.setattr(moisture, "WET", 1.0)
    assert sweep().resolved == 0
    Reminder.objects.all().delete()
    assert sweep().opened == 0


def test_a_spool_that_is_a_little_too_wet_is_urgent_once_loaded(shop, wet, monkeypatch):
    monkeypatch.setattr(moisture, "SURELY_WET", 1.0)
    sweep()
    assert open_reminder("dry").urgent_since is None and address("dry") == f"/s/{wet.code}/dry/"
    load_spool(shop.north, wet, override_reason="a test")
    sweep()
    assert open_reminder("dry").urgent_since is not None


def test_a_surely_wet_spool_is_urgent_anywhere(shop, wet):
    limit_pct = wet.feedstock.polymer.limit_clear_pct
    assert moisture_now(wet).probability_over(limit_pct, 50) > moisture.SURELY_WET
    sweep()
    reminder = open_reminder("dry")
    assert reminder.urgent_since is not None
    assert reminder.amount == pytest.approx(moisture_now(wet).outer_pct(50).p50, rel=1e-2)
    assert reminder.amount_unit == "outer_water_pct"


@pytest.fixture
def drying_out_of_reach(shop):
    """Nylon that was dried well and lies on a toolhead in damp air, since half an hour."""
    printer_place = shop.north.printer.place
    printer_place.assumed_rh_pct = 75
    printer_place.save()
    spool = receive(shop.nylon, shop.bag, core_material="pc", card="dry")
    spool.code = "D6NC69"
    spool.save()
    [run] = start_drying([spool], shop.dryer, DryingSettings(75, planned_hours=60), at=hours_ago(61))
    finish_drying(run, place=shop.box, at=hours_ago(1))
    load_spool(shop.north, spool, at=hours_ago(0.5), override_reason="a test")
    return spool


def test_a_loaded_spool_opens_before_it_may_be_too_wet(shop, drying_out_of_reach):
    sweep()
    reminder = open_reminder("dry")
    now = moisture_now(drying_out_of_reach)
    limit_pct = shop.nylon.polymer.limit_clear_pct
    assert now.probability_over(limit_pct, 50) <= moisture.DRY_AGAIN
    until = SpoolBoard.objects.get(spool=drying_out_of_reach).prints_well_until
    assert reminder.due_at == hour_of(until) and reminder.urgent_since is None
    assert timezone.now() < until < timezone.now() + moisture.OPEN_BEFORE
    values = reminder.reason.values
    assert (values["toolhead"], values["limit_pct"]) == ("North T0", 0.5)
    assert reminder.reason.code == "reminder.outer_turns_soon_wet"
    # The forecast of the physics somewhat before that time and after it.
    hours = (until - timezone.now()) / timedelta(hours=1)
    chances = [now.ahead(share * hours, 24, 75).probability_over(limit_pct, 50) for share in (0.7, 1.3)]
    assert chances[0] <= moisture.DRY_AGAIN < chances[1]


def test_a_stored_spool_does_not_open_before_it_is_too_wet(shop, drying_out_of_reach):
    move_spool(drying_out_of_reach, shop.box)
    sweep()
    assert not is_open("dry")


@pytest.fixture
def unsure(shop):
    """TPU in a dry box where it may or may not be too wet, weighed as it came on a fine scale."""
    shop.box.assumed_rh_pct = 13
    shop.box.save()
    spool = receive(feedstock("TPU 95A"), shop.bag, at=hours_ago(300), card="dry")
    spool.code = "HKK433"
    spool.save()
    weigh(spool, 1203, resolution_g=0.1, at=hours_ago(299))
    move_spool(spool, shop.box, at=hours_ago(280))
    record_opening(spool, at=hours_ago(280))
    want(spool)
    return spool


def chance(spool) -> float:
    limit_pct = spool.feedstock.polymer.limit_clear_pct
    return moisture_now(spool).probability_over(limit_pct, 50)


def test_a_spool_with_a_wide_interval_is_to_be_weighed(shop, unsure):
    assert moisture.POSSIBLE < chance(unsure) <= moisture.WET
    sweep()
    reminder = open_reminder("weigh")
    assert reminder.spool == unsure and address("weigh") == f"/s/{unsure.code}/weigh/"
    assert reminder.reason.code == "reminder.moisture_undecided"
    assert reminder.reason.values["weighed_at"] == hours_ago(299).isoformat()
    assert (reminder.amount, reminder.urgent_since) == (None, None)
    weigh(unsure, 1203.1, resolution_g=0.1)
    sweep()
    assert not is_open("weigh")


def test_a_coarse_scale_or_a_first_weighing_decides_nothing(shop, unsure):
    unsure.mass_entries.filter(kind="weighed").update(resolution_g=1)
    sweep()
    assert not is_open("weigh")
    unsure.mass_entries.filter(kind="weighed").delete()
    sweep()
    assert not is_open("weigh")
