import threading
from collections.abc import Callable
from datetime import timedelta

import pytest
from django.core.exceptions import ValidationError
from django.db import IntegrityError, connection, transaction
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from background.running import run_due
from maintenance.jobs.records import record_job
from maintenance.machines.loading import load_spool, unload_spool
from maintenance.machines.printers import bring_back, retire
from maintenance.models import Fitting, Loading, Reminder
from maintenance.parts.fitting import add_stock, fit_part, remove_part, replace_part
from maintenance.parts.life import RATE_OVER
from maintenance.parts.wear_entries import in_stock
from maintenance.reminders.conditions import boxes as spent
from maintenance.reminders.conditions import moisture
from maintenance.reminders.lifecycle import COOLDOWN, complete, snooze
from maintenance.reminders.queries import count_due, open_reminders
from maintenance.reminders.reconcile import Counts
from maintenance.reminders.sweep import sweep
from spools.air import dry_box
from spools.air.climate import record_readings
from spools.air.dry_box import put_desiccant
from spools.drying.runs import DryingSettings, finish_drying, start_drying
from spools.facts import withdraw
from spools.inventory.ledger import take
from spools.models import MassEntry, Place
from spools.wording import format_day
from tests.maintenance.conftest import PRINT, kind, life_left
from tests.spools.conftest import hours_ago, receive

# Acts are committed, so that what they change is swept at once.
commits = pytest.mark.django_db(transaction=True)


def conditions(**wanted) -> set[str]:
    return {reminder.condition for reminder in Reminder.objects.filter(ended_at=None, **wanted)}


def dry(spool) -> str:
    return f"dry:spool:{spool.pk}"


def the(kind: str) -> Reminder:
    return Reminder.objects.get(kind=kind)


def wear_out(shop, spool, grams: float = 400) -> Fitting:
    """Prints so much filled filament through brass that it may be used up; 0.26 km of 0.17."""
    load_spool(shop.north, spool, at=hours_ago(30), override_reason="a test")
    values = PRINT | {"mass_g": grams, "hours": 20}
    record_job(toolhead=shop.north, spool=spool, start=hours_ago(29), override_reason="a test", **values)
    return Fitting.objects.get(toolhead=shop.north, role="nozzle", end=None)


def test_a_wet_spool_is_to_be_dried_once(shop, wet, plain):
    assert sweep().opened == 1
    reminder = the("dry")
    assert (reminder.condition, reminder.spool) == (dry(wet), wet)
    assert "PA6 prints well up to 0.5 %" in reminder.why and "80 °C" in reminder.remedy
    assert sweep() == Counts(0, 0)
    assert Reminder.objects.count() == 1


def test_it_ends_by_itself_in_the_dryer_and_comes_again_if_taken_out_too_soon(shop, wet):
    sweep()
    [run] = start_drying([wet], shop.dryer, DryingSettings(75), at=hours_ago(0.2))
    assert sweep().resolved == 1
    assert the("dry").ending == "resolved"
    finish_drying(run, place=shop.shelf)
    assert sweep().opened == 1
    assert conditions() == {dry(wet)}


def test_an_unopened_spool_is_believed_unless_its_card_is_wet(shop):
    receive(shop.nylon, shop.bag)
    assert sweep().opened == 0
    card = receive(shop.nylon, shop.bag, card="wet")
    sweep()
    assert conditions() == {dry(card)}


def test_between_the_two_chances_nothing_is_raised_and_nothing_ends(shop, wet, monkeypatch):
    sweep()
    monkeypatch.setattr(moisture, "WET", 1.0)
    assert sweep().resolved == 0
    Reminder.objects.all().delete()
    assert sweep().opened == 0


def test_drying_that_is_over_is_told_until_the_spool_is_out(shop, wet):
    [run] = start_drying([wet], shop.dryer, DryingSettings(75, planned_hours=60), at=hours_ago(61))
    sweep()
    reminder = the("drying_done")
    assert reminder.due_at == run.start + timedelta(hours=60)
    assert list(open_reminders()) == [reminder]
    finish_drying(run, place=shop.box)
    assert not open_reminders().exists()
    sweep()
    assert the("drying_done").ending == "resolved"


def test_a_dryer_is_to_be_turned_up_after_the_first_stage_and_only_until_the_run_is_over(shop, wet):
    stages = {"first_set_point_c": 60, "first_hours": 2, "planned_hours": 5}
    [run] = start_drying([wet], shop.dryer, DryingSettings(75, **stages), at=hours_ago(1))
    sweep()
    assert conditions() == set()
    sweep(run.start + timedelta(hours=2.1))
    reminder = the("dryer_up")
    assert reminder.title.endswith("up to 75 °C") and reminder.due_at == run.change_at
    sweep(run.start + timedelta(hours=5.1))
    assert the("dryer_up").ending == "resolved" and the("drying_done").ended_at is None


def test_a_dryer_that_was_turned_up_is_not_asked_for_again_however_long_the_run_is(shop, wet):
    stages = {"first_set_point_c": 60, "first_hours": 2, "planned_hours": 48}
    start_drying([wet], shop.dryer, DryingSettings(75, **stages), at=hours_ago(3))
    sweep()
    complete(the("dryer_up"))
    sweep(timezone.now() + COOLDOWN + timedelta(hours=1))
    assert conditions(kind="dryer_up") == set()


def test_drying_under_way_is_not_told(shop, wet):
    start_drying([wet], shop.dryer, DryingSettings(75, planned_hours=30), at=hours_ago(4))
    sweep()
    assert conditions() == set()


@commits
def test_a_worn_nozzle_is_told_as_soon_as_the_job_is_recorded(shop, filled):
    nozzle = wear_out(shop, filled)
    reminder = the("replace")
    assert (reminder.part, reminder.toolhead) == (nozzle.part, shop.north)
    assert reminder.title == "Replace the brass 0.4 on North T0"
    assert "of an expected 0.17 (0.055 to 0.49)" in reminder.why
    assert "5 in stock" in reminder.remedy
    assert reminder.due_at is not None and reminder.due_at <= timezone.now()


@commits
def test_its_date_follows_the_rate_of_use(shop, filled):
    nozzle = wear_out(shop, filled, grams=200)
    done_km = life_left([nozzle.part])[nozzle.part_id].age
    days = (the("replace").due_at - timezone.now()) / timedelta(days=1)
    # All of it in the twenty days since it was fitted, and the rest up to the expected 0.17 km at that rate.
    assert days == pytest.approx((0.17 - done_km) / done_km * 20, abs=0.1)


@commits
def test_the_longest_names_fit(shop, filled):
    shop.brass.name, shop.north.name, shop.north.printer.name = "b" * 80, "t" * 40, "p" * 60
    for named in (shop.brass, shop.north, shop.north.printer):
        named.save()
    wear_out(shop, filled)
    assert len(the("replace").title) == 160


@commits
def test_replacing_it_ends_its_reminder_at_once(shop, filled):
    wear_out(shop, filled)
    replace_part(shop.north, "nozzle", shop.brass)
    assert the("replace").ending == "resolved"


def test_the_parts_of_a_printer_that_is_out_of_use_are_left_in_peace(shop, filled):
    nozzle = wear_out(shop, filled)
    unload_spool(shop.north.loadings.get(end=None), shop.shelf)
    retire(shop.north.printer)
    sweep()
    assert conditions(kind="replace") == set()
    bring_back(shop.north.printer)
    sweep()
    assert conditions(kind="replace") == {f"replace:part:{nozzle.part_id}"}


@commits
def test_taking_it_off_or_withdrawing_the_job_ends_it_too(shop, filled):
    nozzle = wear_out(shop, filled)
    job = shop.north.job_uses.get().job
    withdraw(job, reason="a mistake")
    assert the("replace").ending == "resolved"
    record_job(
        toolhead=shop.north,
        spool=filled,
        start=hours_ago(28),
        override_reason="a test",
        **PRINT | {"mass_g": 400},
    )
    assert conditions(kind="replace")
    remove_part(nozzle, removal="sound")
    assert not conditions(kind="replace")


@commits
def test_nothing_is_asked_of_a_printer_out_of_use_and_all_again_of_one_that_is_back(shop, filled):
    wear_out(shop, filled)
    unload_spool(Loading.objects.present().get(toolhead=shop.north), shop.box)
    before = conditions(toolhead=shop.north)
    assert "replace" in {condition.split(":")[0] for condition in before}
    retire(shop.north.printer)
    assert not conditions(toolhead=shop.north)
    sweep()
    assert not conditions(toolhead=shop.north)
    bring_back(shop.north.printer)
    assert conditions(toolhead=shop.north) == before


@commits
def test_a_drawer_that_runs_low_is_told_at_once_and_filled_at_once(shop):
    add_stock(shop.brass, 1 - in_stock()[shop.brass.pk])
    reminder = the("reorder")
    assert (reminder.part_kind, reminder.why) == (shop.brass, "1 in stock; the reorder point is 1.")
    add_stock(shop.brass, 3)
    assert the("reorder").ending == "resolved"


@commits
def test_parts_that_end_before_new_ones_come_are_reordered_in_time(shop, filled):
    wear_out(shop, filled, grams=300)
    assert not conditions(kind="reorder")
    add_stock(shop.brass, 2 - in_stock()[shop.brass.pk])
    assert not conditions(kind="reorder")
    nozzle = Fitting.objects.get(toolhead=shop.south, role="nozzle", end=None)
    remove_part(nozzle, removal="sound")
    fit_part(shop.south, shop.brass)
    assert the("reorder").why == (
        "1 in stock; the reorder point is 1. Of those fitted, 1 will probably be used up within 14 days."
    )
    assert the("reorder").due_at is None


@commits
def test_a_reorder_is_due_when_the_first_part_is_wanted_that_is_not_there(shop, filled):
    wear_out(shop, filled, grams=300)
    add_stock(shop.brass, -in_stock()[shop.brass.pk])
    reorder = the("reorder")
    assert reorder.due_at == pytest.approx(the("replace").due_at, abs=timedelta(minutes=5))
    assert f"stock runs out on {format_day(reorder.due_at)}." in reorder.why


@commits
def test_a_part_of_the_whole_printer_is_told_too(shop, filled):
    made = kind("surface", "thin sheet", life_unit="prints", life=1, life_low=0.4, life_high=2)
    add_stock(made, 2, at=hours_ago(40))
    fit_part(shop.north.printer, made, at=hours_ago(40))
    wear_out(shop, filled, grams=10)
    reminder = the("replace")
    assert reminder.title == "Replace the thin sheet on North"
    assert "It has done 1 prints of an expected" in reminder.why
    replace_part(shop.north.printer, "surface", made)
    assert the("replace").ending == "resolved"


def test_what_is_not_kept_in_stock_is_not_told(shop):
    shop.brass.reorder_point = 0
    shop.brass.save()
    add_stock(shop.brass, -in_stock()[shop.brass.pk])
    assert conditions() == set()


def test_a_feedstock_that_runs_low(shop, plain):
    shop.pla.reorder_point_g = 800
    shop.pla.save()
    sweep()
    assert conditions() == set()
    take(plain, 200, at=hours_ago(1))
    sweep()
    assert the("reorder").feedstock == shop.pla
    reorder = the("reorder")
    a_day_g = 200 / (RATE_OVER / timedelta(days=1))
    assert reorder.why == (
        f"800 g on all spools; the reorder point is 800 g. At {a_day_g:.2g} g a day it lasts until "
        f"{format_day(reorder.due_at)}."
    )
    assert reorder.due_at - timezone.now() == pytest.approx(
        timedelta(days=800 / a_day_g), abs=timedelta(hours=2)
    )


def test_open_ones_keep_up_with_the_numbers(shop, wet):
    sweep()
    reminder = the("dry")
    Reminder.objects.update(why="as it was")
    sweep()
    reminder.refresh_from_db()
    assert reminder.why != "as it was"


def test_snoozed_until_then(shop, wet):
    sweep()
    reminder = the("dry")
    assert count_due() == 1
    until = timezone.now() + timedelta(hours=5)
    snooze(reminder, until)
    assert count_due() == 0
    assert count_due(now=until + timedelta(minutes=1)) == 1
    assert sweep() == Counts(0, 0)


@pytest.mark.parametrize("hours", [-1, 0, 24 * 400])
def test_snoozing_into_the_past_or_for_ever_is_refused(shop, wet, hours):
    sweep()
    with pytest.raises(ValidationError, match="in the future"):
        snooze(the("dry"), timezone.now() + timedelta(hours=hours))
    assert the("dry").snoozed_until is None


def test_done_is_left_in_peace_for_a_day(shop, wet):
    sweep()
    ended = complete(the("dry"), "in a friend's dryer", by=shop.user)
    assert (ended.ending, ended.note, ended.ended_by) == ("completed", "in a friend's dryer", shop.user)
    assert sweep(timezone.now() + timedelta(hours=23)).opened == 0
    assert sweep(timezone.now() + timedelta(hours=25)).opened == 1
    with pytest.raises(ValidationError, match="already"):
        complete(ended)
    with pytest.raises(ValidationError, match="already"):
        snooze(ended, timezone.now() + timedelta(hours=1))


def test_a_sweep_takes_as_many_queries_however_many_spools(shop, wet):
    sweep()
    with CaptureQueriesContext(connection) as few:
        sweep()
    for _ in range(6):
        receive(shop.pla, shop.box, card="dry")
    with CaptureQueriesContext(connection) as many:
        sweep()
    assert len(many) == len(few)


def test_the_schedule_sweeps(shop, wet):
    run_due()
    assert conditions() == {dry(wet)}


def test_the_database_lets_one_open_reminder_of_a_cause_through(shop, wet):
    values = {"kind": "dry", "condition": dry(wet), "title": "x", "why": "x", "remedy": "x"}
    Reminder.objects.create(**values, opened_at=timezone.now())
    with pytest.raises(IntegrityError), transaction.atomic():
        Reminder.objects.create(**values, opened_at=timezone.now())


def at_once(act: Callable[[], None], times: int) -> list[Exception]:
    """Calls a function in several threads at the same moment; returns what they raised."""
    start, raised = threading.Barrier(times), []

    def run() -> None:
        try:
            start.wait()
            act()
        except Exception as error:
            raised.append(error)
        finally:
            connection.close()

    threads = [threading.Thread(target=run) for _ in range(times)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return raised


@pytest.mark.django_db(transaction=True)
def test_sweeps_at_the_same_time_raise_each_cause_once(shop, wet):
    assert at_once(sweep, 4) == []
    assert Reminder.objects.count() == 1


@pytest.mark.django_db(transaction=True)
def test_of_two_that_withdraw_a_job_at_the_same_time_one_gives_the_grams_back(shop, plain):
    load_spool(shop.north, plain, at=hours_ago(20), override_reason="a test")
    job = record_job(toolhead=shop.north, spool=plain, start=hours_ago(12), override_reason="a test", **PRINT)
    raised = at_once(lambda: withdraw(job, reason="a mistake"), 2)
    assert [type(error) for error in raised] == [ValidationError]
    assert MassEntry.objects.exclude(withdrawn_at=None).count() == 1


@pytest.fixture
def charged_box(shop):
    """A leaky box, 30 L at 50 g of silica gel that was put in as spent three days ago."""
    box = shop.box
    box.room, box.volume_l, box.half_time_h = shop.shelf, 30, 10
    box.save()
    put_desiccant(box, "silica_gel", 50, condition="unknown", at=hours_ago(72))
    return box


def test_spent_desiccant_is_to_be_regenerated_until_it_is(shop, charged_box):
    assert sweep().opened == 1
    reminder = the("regenerate")
    assert reminder.place == charged_box
    assert reminder.title == "Regenerate the desiccant of Dry box"
    assert "% RH in it, computed; the limit is 20 %. The 50 g hold" in reminder.why
    assert "120 °C for about 3 h" in reminder.remedy
    assert sweep().opened == 0
    put_desiccant(
        charged_box, "silica_gel", 400, condition="regenerated", regenerated_c=120, at=hours_ago(1.5)
    )
    assert sweep().resolved == 1
    assert the("regenerate").ending == "resolved"


def test_desiccant_that_lasts_few_days_is_not_asked_for_again_as_soon_as_it_was_regenerated(
    shop, charged_box
):
    sweep()
    assert the("regenerate").ended_at is None
    put_desiccant(
        charged_box, "silica_gel", 20, condition="regenerated", regenerated_c=120, at=hours_ago(1.5)
    )
    assert dry_box.box_now(charged_box).days.likely < spent.SOON
    assert sweep().resolved == 1
    # Told again while something of it is left.
    days = dry_box.box_now(charged_box).days.likely
    sweep(timezone.now() + timedelta(days=0.6 * days))
    assert not open_reminders().exists()
    sweep(timezone.now() + timedelta(days=0.9 * days))
    assert open_reminders().get().kind == "regenerate"


def test_it_is_told_days_before_and_does_not_flicker(shop, charged_box, monkeypatch):
    monkeypatch.setattr(spent, "SOON_SHARE", 1.0)
    monkeypatch.setattr(spent, "NOT_SO_SOON_SHARE", 1.0)
    put_desiccant(charged_box, "silica_gel", 30, condition="regenerated", regenerated_c=120, at=hours_ago(70))
    days = dry_box.box_now(charged_box).days.likely
    assert 1 < days < spent.SOON
    sweep()
    reminder = the("regenerate")
    assert "days away" in reminder.why
    assert abs(reminder.due_at - timezone.now() - timedelta(days=days)) < timedelta(hours=2)
    monkeypatch.setattr(spent, "SOON", days - 0.5)
    assert sweep() == Counts(0, 0)
    Reminder.objects.all().delete()
    assert sweep().opened == 0


def test_a_dry_box_by_its_hygrometer_is_left_alone(shop, charged_box):
    record_readings(charged_box, [(hours_ago(1), 22, 6)], origin="hand")
    Place.objects.filter(pk=charged_box.pk).update(half_time_h=400)
    assert sweep().opened == 0
