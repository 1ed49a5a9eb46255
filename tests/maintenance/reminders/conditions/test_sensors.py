"""Silent sensors."""

from datetime import timedelta

import pytest
from django.utils import timezone

from maintenance.models import Reminder
from maintenance.reminders.conditions import sensors
from maintenance.reminders.lifecycle import complete
from maintenance.reminders.sweep import sweep
from spools.air.climate import record_readings
from spools.air.sensors.acts import place_sensor
from spools.air.sensors.recording import mark_seen, mark_silent
from spools.drying.runs import DryingSettings, start_drying
from spools.models import Place, Sensor
from tests.maintenance.reminders.shop_reminders import is_open, open_reminder
from tests.spools.conftest import hours_ago, receive


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
        reminder = open_reminder("sensor")
        values = reminder.reason.values
        assert (values["place"], values["air_origin"]) == ("Shelf", "assumed")
        assert (values["temperature_c"], values["rh_pct"]) == (22, 55)
        assert (reminder.urgent_since is not None) is urgent
        send(shop.shelf, 1, 0, readings=1)
        sweep()
        assert not is_open("sensor")


def test_only_sensors_in_places_in_use_count(shop, wet):
    send(shop.box, 1, 48)
    send(shop.shelf, 1, 48, origin="hand")
    send(shop.north.printer.place, 1, 48, readings=sensors.INTERVALS)
    sweep()
    assert not is_open("sensor")
    receive(shop.pla, shop.box)
    sweep()
    assert open_reminder("sensor").place == shop.box


def test_the_room_of_a_dryer_in_use_is_in_use(shop, wet):
    start_drying([wet], shop.dryer, DryingSettings(75, planned_hours=30), at=hours_ago(4))
    send(shop.shelf, 1, 48)
    sweep()
    assert open_reminder("sensor").place == shop.shelf


def test_a_removed_sensor_is_completed_once(shop, wet):
    send(shop.shelf, 1, 48)
    sweep()
    complete(open_reminder("sensor"), "taken away")
    sweep(timezone.now() + timedelta(days=9))
    assert not is_open("sensor")
    # As if that had been a day ago: what comes now came after it.
    Reminder.objects.update(ended_at=hours_ago(24))
    send(shop.shelf, 1, 0, readings=12)
    sweep(timezone.now() + timedelta(days=2))
    assert is_open("sensor")


def test_a_sensor_that_its_broker_reports_as_gone_is_silent_at_once(shop, wet):
    now = timezone.now()
    sensor = Sensor.objects.create(name="b1", seen_at=now - timedelta(minutes=1))
    place_sensor(sensor, shop.shelf, start=now - timedelta(days=1))
    mark_silent("b1", now)
    sweep()
    reminder = open_reminder("sensor")
    assert (reminder.reason.code, reminder.reason.values["sensor"]) == ("reminder.sensor_gone", "b1")
    assert reminder.urgent_since is None
    other = Sensor.objects.create(name="b2")
    place_sensor(other, shop.shelf, start=now - timedelta(hours=1))
    sweep()
    assert not is_open("sensor")
    mark_silent("b2", now)
    sweep()
    assert is_open("sensor")
    mark_seen("b2", now + timedelta(seconds=1))
    sweep()
    assert not is_open("sensor")
