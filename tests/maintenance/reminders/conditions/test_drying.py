"""Drying runs that need a person, and heat budgets."""

from datetime import timedelta

import pytest
from django.utils import timezone

from maintenance.reminders.conditions import drying as drying_conditions
from maintenance.reminders.lifecycle import COOLDOWN, complete
from maintenance.reminders.queries import open_reminders
from maintenance.reminders.sweep import sweep
from spools.drying import heat_budget
from spools.drying.forecast import estimate_dry_times
from spools.drying.runs import DryingSettings, finish_drying, start_drying
from spools.inventory.endings import end_spool
from spools.models import DryingRun
from spools.moisture.state import moisture_now
from tests.maintenance.reminders.shop_reminders import (
    address,
    is_open,
    open_conditions,
    open_reminder,
    reminder_of,
)
from tests.spools.conftest import hours_ago


def test_a_finished_run_stays_open_until_the_spool_is_out(shop, wet):
    [run] = start_drying(
        [wet], shop.dryer, DryingSettings(70, planned_hours=60, target_pct=0.7), at=hours_ago(61)
    )
    sweep()
    reminder = reminder_of("drying_done")
    assert reminder.due_at == run.start + timedelta(hours=60)
    assert list(open_reminders()) == [reminder]
    finish_drying(run, place=shop.box)
    assert not open_reminders().exists()
    sweep()
    assert reminder_of("drying_done").ending == "resolved"


def test_a_dryer_is_to_be_turned_up_between_the_first_stage_and_the_end(shop, wet):
    stages = {"first_set_point_c": 60, "first_hours": 2, "planned_hours": 5}
    [run] = start_drying([wet], shop.dryer, DryingSettings(75, **stages), at=hours_ago(1))
    sweep()
    assert open_conditions() == set()
    sweep(run.start + timedelta(hours=2.1))
    reminder = reminder_of("dryer_up")
    assert reminder.reason.values["set_point_c"] == 75 and reminder.due_at == run.change_at
    sweep(run.start + timedelta(hours=5.1))
    assert reminder_of("dryer_up").ending == "resolved" and reminder_of("drying_done").ended_at is None


def test_a_dryer_is_turned_up_once_however_long_the_run(shop, wet):
    stages = {"first_set_point_c": 60, "first_hours": 2, "planned_hours": 48}
    start_drying([wet], shop.dryer, DryingSettings(75, **stages), at=hours_ago(3))
    sweep()
    complete(reminder_of("dryer_up"))
    sweep(timezone.now() + COOLDOWN + timedelta(hours=1))
    assert open_conditions(kind="dryer_up") == set()


def test_a_run_under_way_opens_nothing(shop, wet):
    start_drying([wet], shop.dryer, DryingSettings(75, planned_hours=30), at=hours_ago(4))
    sweep()
    assert open_conditions() == set()


@pytest.fixture
def done_run(shop, wet):
    return start_drying([wet], shop.dryer, DryingSettings(70, planned_hours=60), at=hours_ago(61))[0]


def test_the_reason_states_when_a_dried_spool_is_wet_again(shop, wet, done_run):
    sweep()
    reminder = open_reminder("drying_done")
    assert address("drying_done") == f"/drying/{shop.dryer.pk}/finish/"
    room = reminder.reason.values["room"]["values"]
    assert (room["temperature_c"], room["rh_pct"], room["mass_g"]) == (22, 55, 50)
    assert reminder.urgent_since is None
    hours = room["printable_h"]
    limit_pct = wet.feedstock.polymer.limit_hold_pct
    now = moisture_now(wet)
    over = [now.ahead(hours + off, 22, 55).probability_over(limit_pct, 50) for off in (-1, 1)]
    assert over[0] <= 0.2 + 1 / 32 and over[1] >= 0.2 - 1 / 32


def test_a_spool_that_is_not_dry_after_its_hours_stays_in(shop, wet):
    [run] = start_drying([wet], shop.dryer, DryingSettings(75, planned_hours=3), at=hours_ago(9))
    sweep()
    reminder = open_reminder("drying_done")
    assert reminder.reason.code == "reminder.drying_too_short"
    assert reminder.reason.values["dry_at"] == reminder.due_at.isoformat()
    assert reminder.remedy.code == "reminder_remedy.dry_longer"
    assert reminder.due_at > timezone.now() and reminder.urgent_since is None
    [expected] = estimate_dry_times([(run, moisture_now(wet).winding)], timezone.now())
    assert abs(reminder.due_at - expected) <= timedelta(minutes=15)


def test_a_nylon_that_has_had_its_heat_comes_out_at_once_and_is_never_left_in(shop, wet):
    # 24 h at 80 °C are what one run may give; by its plan it has 26 h and is not dry then.
    start_drying([wet], shop.dryer, DryingSettings(80, planned_hours=26), at=hours_ago(25))
    DryingRun.objects.update(target_pct=0.3)
    sweep()
    reminder = open_reminder("drying_done")
    assert reminder.reason.code == "reminder.run_heat_used_up"
    assert reminder.remedy.code == "reminder_remedy.finish_drying"
    assert reminder.urgent_since is not None
    sweep(timezone.now() + timedelta(hours=3))
    assert open_reminder("drying_done").reason.code == "reminder.run_heat_used_up"


def test_a_finished_run_is_urgent_after_hours(shop, done_run):
    sweep(hours_ago(1) + drying_conditions.LATE_OUT - timedelta(minutes=2))
    assert open_reminder("drying_done").urgent_since is None
    sweep(hours_ago(1) + drying_conditions.LATE_OUT + timedelta(minutes=2))
    assert open_reminder("drying_done").urgent_since is not None


def dried_for(spool, dryer, box, hours: float, ended_h_ago: float = 1) -> None:
    # The budget for life is 100 h at 80 °C (fixtures/reference/thermal_values.csv, air heat budget).
    [run] = start_drying(
        [spool], dryer, DryingSettings(80, planned_hours=hours), at=hours_ago(ended_h_ago + hours)
    )
    finish_drying(run, place=box, at=hours_ago(ended_h_ago))


@pytest.mark.parametrize(
    ("hours", "told", "urgent"), [(86, False, False), (90, True, False), (101, True, True)]
)
def test_heat_that_the_next_usual_drying_would_exceed(shop, wet, hours, told, urgent):
    # PA6 is dried for 12 h at 80 °C at least.
    dried_for(wet, shop.dryer, shop.box, hours)
    sweep()
    assert is_open("heat") is told
    if told:
        reminder = open_reminder("heat")
        assert reminder.amount == pytest.approx(hours, rel=1e-2) and reminder.amount_unit == "heat_budget_pct"
        values = reminder.reason.values
        assert (values["dried_h"], values["then_pct"]) == (hours, hours + 12)
        assert (reminder.urgent_since is not None) is urgent
        end_spool(wet)
        sweep()
        assert not is_open("heat")


def test_a_completed_heat_reminder_opens_again_after_another_run(shop, wet):
    dried_for(wet, shop.dryer, shop.box, 90, ended_h_ago=5)
    sweep()
    complete(open_reminder("heat"), "for parts that bear no load")
    later = timezone.now() + timedelta(days=20)
    sweep(later)
    assert not is_open("heat")
    [run] = start_drying([wet], shop.dryer, DryingSettings(80, planned_hours=2), at=timezone.now())
    sweep(later)
    assert is_open("heat")
    assert heat_budget.compute_heat(wet, [run], later).hours == pytest.approx(20 * 24, abs=1)


def test_without_a_heat_budget_nothing_opens(shop, plain):
    [run] = start_drying([plain], shop.dryer, DryingSettings(45, planned_hours=150), at=hours_ago(160))
    finish_drying(run, place=shop.box, at=hours_ago(2))
    sweep()
    assert not is_open("heat")
