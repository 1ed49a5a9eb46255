"""What is due and when it presses, each kind at its limits."""

from datetime import timedelta

import pytest
from django.utils import timezone

from maintenance.changes import SERVICE
from maintenance.jobs.records import record_job
from maintenance.machines.loading import load_spool
from maintenance.models import Reminder, ServiceKind
from maintenance.parts.fitting import add_stock
from maintenance.parts.wear_entries import in_stock
from maintenance.reminders.conditions import drying as drying_conditions
from maintenance.reminders.conditions import moisture, sensors
from maintenance.reminders.conditions.service import OVERDUE_SHARE
from maintenance.reminders.lifecycle import complete
from maintenance.reminders.links import link_of, with_subjects
from maintenance.reminders.sweep import sweep, sweep_subjects
from spools.air.climate import record_readings
from spools.air.dry_box import box_now, put_desiccant
from spools.air.hourly import hour_of
from spools.drying import heat_budget
from spools.drying.forecast import estimate_dry_times
from spools.drying.runs import DryingSettings, finish_drying, start_drying
from spools.inventory.ledger import take, weigh
from spools.inventory.moves import mark_empty, move_spool
from spools.models import Place
from spools.moisture.state import moisture_now
from tests.maintenance.conftest import PRINT
from tests.spools.conftest import feedstock, hours_ago, receive

# Acts are committed, so that what they change is swept at once.
commits = pytest.mark.django_db(transaction=True)


def the(kind: str) -> Reminder:
    return with_subjects(Reminder.objects.filter(ended_at=None)).get(kind=kind)


def is_open(kind: str) -> bool:
    return Reminder.objects.filter(ended_at=None, kind=kind).exists()


def address(kind: str) -> str:
    return link_of(the(kind))[0]


# Re-dry


def test_a_spool_that_is_a_little_too_wet_presses_once_it_is_loaded(shop, wet, monkeypatch):
    monkeypatch.setattr(moisture, "SURELY_WET", 1.0)
    sweep()
    assert the("dry").urgent_since is None and address("dry") == f"/s/{wet.code}/dry/"
    load_spool(shop.north, wet, override_reason="a test")
    sweep()
    assert the("dry").urgent_since is not None


def test_a_surely_wet_spool_presses_wherever_it_is(shop, wet):
    limit_pct = wet.feedstock.polymer.limit_clear_pct
    assert moisture_now(wet).probability_over(limit_pct, 50) > moisture.SURELY_WET
    sweep()
    reminder = the("dry")
    assert reminder.urgent_since is not None
    assert reminder.amount == pytest.approx(moisture_now(wet).outer_pct(50).p50, rel=1e-2)
    assert reminder.amount_unit == "% water in the outer turns"


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


def test_a_loaded_spool_is_told_before_it_is_too_wet(shop, drying_out_of_reach):
    sweep()
    reminder = the("dry")
    limit_pct = shop.nylon.polymer.limit_clear_pct
    now = moisture_now(drying_out_of_reach)
    assert now.probability_over(limit_pct, 50) <= moisture.WET
    hours = (reminder.due_at - timezone.now()) / timedelta(hours=1)
    assert -1 < hours < moisture.SOON_H and reminder.urgent_since is None
    assert "in the air of North T0 likely more than 0.5 %" in reminder.why
    # The forecast of the physics, an hour before that time and an hour after.
    likely = [now.ahead(max(0.0, hours + off), 24, 75).outer_pct(50).p50 for off in (-1.5, 2)]
    assert likely[0] < limit_pct < likely[1]


def test_in_storage_it_is_not_told_before(shop, drying_out_of_reach):
    move_spool(drying_out_of_reach, shop.box)
    sweep()
    assert not is_open("dry")


# Weigh


@pytest.fixture
def unsure(shop):
    """TPU in a dry box where it may or may not be too wet, weighed as it came on a fine scale."""
    shop.box.assumed_rh_pct = 12
    shop.box.save()
    spool = receive(feedstock("TPU 95A"), shop.bag, at=hours_ago(300), card="dry")
    spool.code = "HKK433"
    spool.save()
    weigh(spool, 1203, resolution_g=0.1, at=hours_ago(299))
    move_spool(spool, shop.box, at=hours_ago(280))
    return spool


def chance(spool) -> float:
    limit_pct = spool.feedstock.polymer.limit_clear_pct
    return moisture_now(spool).probability_over(limit_pct, 50)


def test_a_spool_whose_band_is_too_wide_is_to_be_weighed(shop, unsure):
    assert moisture.POSSIBLE < chance(unsure) <= moisture.WET
    sweep()
    reminder = the("weigh")
    assert reminder.spool == unsure and address("weigh") == f"/s/{unsure.code}/weigh/"
    assert "the band is too wide to tell. It was last weighed on" in reminder.why
    assert (reminder.amount, reminder.urgent_since) == (None, None)
    weigh(unsure, 1203.1, resolution_g=0.1)
    sweep()
    assert not is_open("weigh")


def test_a_coarse_scale_or_a_first_weighing_would_not_tell(shop, unsure):
    unsure.mass_entries.filter(kind="weighed").update(resolution_g=1)
    sweep()
    assert not is_open("weigh")
    unsure.mass_entries.filter(kind="weighed").delete()
    sweep()
    assert not is_open("weigh")


# Drying


@pytest.fixture
def done_run(shop, wet):
    return start_drying([wet], shop.dryer, DryingSettings(75, planned_hours=60), at=hours_ago(61))[0]


def test_it_tells_when_a_dried_spool_is_wet_again(shop, wet, done_run):
    sweep()
    reminder = the("drying_done")
    assert address("drying_done") == f"/drying/{shop.dryer.pk}/finish/"
    assert "In the room's air, 22 °C and 55 % RH, outside or in the dryer once it is off" in reminder.why
    assert reminder.urgent_since is None
    hours = float(reminder.why.split("again after ")[1].split(" ")[0])
    limit_pct = wet.feedstock.polymer.limit_hold_pct
    now = moisture_now(wet)
    over = [now.ahead(hours + off, 22, 55).probability_over(limit_pct, 50) for off in (-1, 1)]
    assert over[0] <= 0.2 + 1 / 32 and over[1] >= 0.2 - 1 / 32


def test_what_is_not_dry_after_its_hours_is_to_stay_in(shop, wet):
    [run] = start_drying([wet], shop.dryer, DryingSettings(75, planned_hours=3), at=hours_ago(9))
    sweep()
    reminder = the("drying_done")
    assert reminder.title.endswith("needs longer in Dryer than planned")
    assert "likely dry enough only from" in reminder.why and reminder.remedy.startswith(
        "Leave it in until then."
    )
    assert reminder.due_at > timezone.now() and reminder.urgent_since is None
    [expected] = estimate_dry_times([(run, moisture_now(wet).winding)], timezone.now())
    assert abs(reminder.due_at - expected) <= timedelta(minutes=15)


def test_it_presses_when_it_is_left_in_for_hours(shop, done_run):
    sweep(hours_ago(1) + drying_conditions.LATE_OUT - timedelta(minutes=2))
    assert the("drying_done").urgent_since is None
    sweep(hours_ago(1) + drying_conditions.LATE_OUT + timedelta(minutes=2))
    assert the("drying_done").urgent_since is not None


# Heat


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
        reminder = the("heat")
        assert (
            reminder.amount == pytest.approx(hours, rel=1e-2)
            and reminder.amount_unit == "% of its heat budget"
        )
        assert f"in {hours} h of drying" in reminder.why and f"it would be {hours + 12} %" in reminder.why
        assert (reminder.urgent_since is not None) is urgent
        mark_empty(wet)
        sweep()
        assert not is_open("heat")


def test_heat_that_was_seen_is_told_again_only_after_more_of_it(shop, wet):
    dried_for(wet, shop.dryer, shop.box, 90, ended_h_ago=5)
    sweep()
    complete(the("heat"), "for parts that bear no load")
    later = timezone.now() + timedelta(days=20)
    sweep(later)
    assert not is_open("heat")
    [run] = start_drying([wet], shop.dryer, DryingSettings(80, planned_hours=2), at=timezone.now())
    sweep(later)
    assert is_open("heat")
    assert heat_budget.compute_heat(wet, [run], later).hours == pytest.approx(20 * 24, abs=1)


def test_no_budget_no_reminder(shop, plain):
    [run] = start_drying([plain], shop.dryer, DryingSettings(45, planned_hours=150), at=hours_ago(160))
    finish_drying(run, place=shop.box, at=hours_ago(2))
    sweep()
    assert not is_open("heat")


# Sensors


def send(place: Place, every_h: float, until_h_ago: float, readings: int = 20, origin: str = "api") -> None:
    rows = [(hours_ago(until_h_ago + n * every_h), 22.0, 50.0) for n in range(readings)]
    record_readings(place, rows, origin=origin)


@pytest.mark.parametrize(
    ("every_h", "silent_h", "told", "urgent"),
    [
        (1, 5.9, False, False),  # a reading is believed for 6 h
        (1, 6.1, True, False),
        (1, 23.9, True, False),
        (1, 24.1, True, True),
        (4, 11.9, False, False),
        (4, 12.1, True, False),
        (24, 71, False, False),
        (24, 73, True, False),
        (24, 145, True, True),
    ],
)
def test_a_sensor_is_silent_after_three_of_its_intervals(shop, wet, every_h, silent_h, told, urgent):
    send(shop.shelf, every_h, silent_h)
    sweep()
    assert is_open("sensor") is told
    if told:
        reminder = the("sensor")
        assert reminder.title == "The sensor in Shelf is silent"
        assert "Its air is assumed meanwhile: 22 °C and 55 % RH" in reminder.why
        assert (reminder.urgent_since is not None) is urgent
        send(shop.shelf, 1, 0, readings=1)
        sweep()
        assert not is_open("sensor")


def test_only_sensors_in_places_in_use_are_missed(shop, wet):
    send(shop.box, 1, 48)
    send(shop.shelf, 1, 48, origin="hand")
    send(shop.north.printer.place, 1, 48, readings=sensors.INTERVALS)
    sweep()
    assert not is_open("sensor")
    receive(shop.pla, shop.box)
    sweep()
    assert the("sensor").place == shop.box


def test_the_room_of_a_dryer_in_use_is_in_use(shop, wet):
    start_drying([wet], shop.dryer, DryingSettings(75, planned_hours=30), at=hours_ago(4))
    send(shop.shelf, 1, 48)
    sweep()
    assert the("sensor").place == shop.shelf


def test_a_sensor_that_was_taken_away_is_told_once(shop, wet):
    send(shop.shelf, 1, 48)
    sweep()
    complete(the("sensor"), "taken away")
    sweep(timezone.now() + timedelta(days=9))
    assert not is_open("sensor")
    # As if that had been a day ago: what comes now came after it.
    Reminder.objects.update(ended_at=hours_ago(24))
    send(shop.shelf, 1, 0, readings=12)
    sweep(timezone.now() + timedelta(days=2))
    assert is_open("sensor")


# Boxes


@pytest.fixture
def read_box(shop):
    """A tight box with much desiccant by its facts, whose hygrometer tells of damp air since a day."""
    box = shop.box
    box.room, box.volume_l, box.half_time_h, box.limit_rh_pct = shop.shelf, 30, 60, 30
    box.save()
    put_desiccant(box, "silica_gel", 200, condition="regenerated", regenerated_c=120, at=hours_ago(96))
    return box


def damp(box: Place, rh_pct: float) -> None:
    record_readings(box, [(hours_ago(h), 22.0, rh_pct) for h in range(0, 24)], origin="api")


def test_a_box_that_leaks(shop, read_box):
    damp(read_box, 25)
    [finding] = box_now(read_box).findings
    assert finding.kind == "leak"
    sweep()
    reminder = the("leak")
    assert (reminder.place, reminder.amount, reminder.amount_unit) == (read_box, 25, "% RH")
    assert reminder.urgent_since is None and reminder.due_at is None
    assert address("leak") == f"/places/{read_box.pk}/"
    read_box.limit_rh_pct = 24
    read_box.save()
    sweep()
    assert the("leak").urgent_since is not None


def test_an_hour_near_what_is_computed_ends_no_leak(shop, read_box):
    damp(read_box, 25)
    sweep()
    # Expected 10 %, allowed 7.5 % more: within it, and then near enough.
    for rh_pct, leaks in ((16, True), (12, False)):
        read_box.readings.filter(at__gte=hour_of(timezone.now())).delete()
        record_readings(read_box, [(timezone.now(), 22.0, rh_pct)], origin="api")
        assert box_now(read_box).findings == []
        sweep()
        assert is_open("leak") == leaks


def test_a_box_that_is_as_computed_leaks_not(shop, read_box):
    damp(read_box, 9)
    sweep()
    assert not is_open("leak")


def test_spent_desiccant_by_its_hygrometer_is_to_be_regenerated(shop, read_box):
    damp(read_box, 54)
    [finding] = box_now(read_box).findings
    assert finding.kind == "spent"
    sweep()
    assert not is_open("leak")
    reminder = the("regenerate")
    assert finding.sentence in reminder.why and reminder.urgent_since is not None
    assert address("regenerate") == f"/places/{read_box.pk}/desiccant/"


# Parts, service, stock


@pytest.mark.parametrize(("grams", "urgent"), [(150, False), (500, True)])
@commits
def test_a_part_presses_when_it_is_likelier_used_up_than_not(shop, filled, grams, urgent):
    load_spool(shop.north, filled, at=hours_ago(30), override_reason="a test")
    values = PRINT | {"mass_g": grams, "hours": 20}
    record_job(toolhead=shop.north, spool=filled, start=hours_ago(29), override_reason="a test", **values)
    reminder = the("replace")
    chance_pct = float(reminder.why.split(": ")[1].split(" %")[0])
    assert (chance_pct > 50) is urgent is (reminder.urgent_since is not None)
    assert reminder.amount_unit == "km of filler" and reminder.amount > 0


def test_a_service_presses_a_quarter_over_its_interval(shop):
    look = ServiceKind.objects.create(
        **{"name": "look over", "work": "other", "subject": "printer", "unit": "days", "interval": 8},
        **{"advice": "Look.", "source": "invented for tests", "how": "memory"},
    )
    began = hours_ago(24 * 9)
    for printer in (shop.north.printer, shop.south.printer):
        look.entries.create(printer=printer, at=began)
    sweep_subjects([SERVICE])
    reminder = Reminder.objects.get(kind="service", printer=shop.north.printer)
    assert reminder.due_at == (began + timedelta(days=8)).replace(minute=0)
    assert (reminder.amount, reminder.amount_unit) == (pytest.approx(9, abs=0.01), "days")
    assert link_of(reminder)[0] == f"/machines/{shop.north.printer_id}/service/done/?kind={look.pk}"
    quarter = began + timedelta(days=8 * OVERDUE_SHARE)
    for off, presses in [(-timedelta(minutes=5), False), (timedelta(minutes=5), True)]:
        sweep_subjects([SERVICE], quarter + off)
        reminder.refresh_from_db()
        assert (reminder.urgent_since is not None) is presses


@commits
def test_the_last_part_in_the_drawer_presses_when_it_is_gone(shop):
    add_stock(shop.brass, 1 - in_stock()[shop.brass.pk])
    assert (the("reorder").amount, the("reorder").amount_falls) == (1, True)
    assert the("reorder").urgent_since is None
    add_stock(shop.brass, -1)
    assert the("reorder").urgent_since is not None
    assert address("reorder") == f"/stock/add/?kind={shop.brass.pk}"


def test_a_feedstock_is_due_when_it_will_be_used_up(shop, plain):
    shop.pla.reorder_point_g = 800
    shop.pla.save()
    take(plain, 300, at=hours_ago(24))
    sweep()
    reminder = the("reorder")
    assert (reminder.amount, reminder.amount_unit, reminder.urgent_since) == (700, "g", None)
    # 300 g in the last 30 days: 700 g last for 70 more.
    assert (reminder.due_at - timezone.now()) / timedelta(days=1) == pytest.approx(70, abs=0.1)
    assert address("reorder") == f"/spools/receive/?feedstock={shop.pla.pk}"
    take(plain, 670, at=hours_ago(1))
    sweep()
    assert the("reorder").urgent_since is not None
