"""The pages of the sensors."""

from datetime import timedelta

import pytest
import time_machine
from django.urls import reverse
from django.utils import timezone

from spools.air.salt_checks import record_salt_check
from spools.air.sensors.measurements import Measurement
from spools.air.sensors.recording import mark_silent, record_measurements
from spools.models import HeldValue, Reading, Sensor, SensorPlacement
from tests.pages.shown import notes, shows
from tests.pages.small_shop import local_input
from tests.spools.conftest import hours_ago


@pytest.fixture
def sent(shop) -> Sensor:
    """Two readings of a sensor without a place, and a value of a clock that was ahead."""
    rows = [("temperature", 21.34), ("humidity", 40.7)]
    values = [Measurement("b1", name, value, hours_ago(h)) for h in (2, 1) for name, value in rows]
    record_measurements(values)
    with time_machine.travel(hours_ago(5), tick=True):
        record_measurements([Measurement("b1", "temperature", 20.0, hours_ago(-4.1))])
    return Sensor.objects.get()


def test_a_sensor_gets_its_place_and_what_waited_counts(shop, desk, sent):
    page = reverse("sensor", args=[sent.pk])
    assert shows(desk.get(reverse("sensors")), "b1", note="sensors")
    assert HeldValue.Reason.NO_PLACE in notes(desk.get(page))
    form = reverse("sensor-place", args=[sent.pk])
    tomorrow = local_input(timezone.now() + timedelta(days=1))
    assert desk.post(form, {"place": shop.bag.pk, "when": tomorrow}).status_code == 200
    assert desk.post(form, {"place": shop.bag.pk, "when": local_input(hours_ago(3))}).status_code == 302
    assert Reading.objects.filter(place=shop.bag, temperature_c=21.34, rh_pct=40.7).count() == 2
    result = desk.get(page)
    assert HeldValue.Reason.NO_PLACE not in notes(result)
    assert {"place", "unchecked", "future"} <= set(notes(result))
    withdraw = reverse("withdraw", args=["sensor-placement", SensorPlacement.objects.get().pk])
    assert withdraw in result.content.decode()
    desk.post(withdraw, {"reason": "wrong bag"})
    assert not SensorPlacement.objects.valid().exists()


def test_values_set_aside_count_or_are_left_out(shop, desk, sent):
    address, held = reverse("sensor-held", args=[sent.pk]), HeldValue.objects.get(reason="future")
    desk.post(address, {"leave_out": 1, "value": held.pk})
    held.refresh_from_db()
    assert held.left_out_at is not None
    HeldValue.objects.filter(pk=held.pk).update(left_out_at=None)
    desk.post(address, {"admit": 1, "value": held.pk})
    assert not HeldValue.objects.filter(reason="future").exists()


def test_a_salt_check_goes_with_the_sensor_and_corrects_the_place(shop, desk, sent):
    form, page = reverse("sensor-place", args=[sent.pk]), reverse("sensor", args=[sent.pk])
    desk.post(form, {"place": shop.shelf.pk, "when": local_input(hours_ago(60))})
    record_salt_check(shop.shelf, 78.0, 21.0, at=hours_ago(30))
    assert "own_check" in notes(desk.get(page))
    desk.post(form, {"place": shop.box.pk, "when": local_input(hours_ago(20))})
    assert {"own_check", "checked_elsewhere"} <= set(notes(desk.get(page)))
    other = Sensor.objects.create(name="b2")
    desk.post(reverse("sensor-place", args=[other.pk]), {"place": shop.shelf.pk})
    assert "anothers_check" in notes(desk.get(reverse("sensor", args=[other.pk])))


def test_a_sensor_that_is_gone_is_silent_at_once(shop, desk, sent):
    page = reverse("sensor", args=[sent.pk])
    assert "silent" not in notes(desk.get(page))
    mark_silent("b1", timezone.now())
    assert "silent" in notes(desk.get(page))
