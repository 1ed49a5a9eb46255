"""The page of a dry box, and recording its desiccant."""

import pytest
import time_machine
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from maintenance.models import Reminder
from maintenance.reminders.sweep import sweep
from spools.air import dry_box_cache
from spools.air.climate import record_readings
from spools.air.dry_box import box_now, put_desiccant
from spools.models import DesiccantCharge, Place
from tests.pages.small_shop import local_input, says
from tests.spools.conftest import hours_ago

MOST_QUERIES = 24
SILICA = {"kind": "silica_gel", "dry_mass_g": 200, "condition": "regenerated", "regenerated_c": 120}


@pytest.fixture
def box(shop) -> Place:
    """The shop's dry box with four spools in it: on the shelf, 30 L, well sealed."""
    shop.box.room, shop.box.volume_l, shop.box.half_time_h = shop.shelf, 30, 55
    shop.box.save()
    return shop.box


@pytest.fixture
def charged(box) -> Place:
    put_desiccant(box, at=hours_ago(100), **SILICA)
    dry_box_cache.advance()
    return box


def page(desk, place: Place):
    response = desk.get(reverse("place", args=[place.pk]))
    assert response.status_code == 200
    return response


def test_it_tells_what_is_missing(shop, desk):
    told = page(desk, shop.box)
    assert says(told, "give its volume, its half-time or air changes, the room that it stands in")
    assert says(told, "record its desiccant below")


def test_from_an_empty_box_to_a_computed_one(shop, desk):
    edit = reverse("place-edit", args=[shop.box.pk])
    values = {"name": "Dry box", "kind": "dry_box", "assumed_temperature_c": 21, "assumed_rh_pct": 15}
    values |= {"set_point_error_c": 5, "room": shop.shelf.pk, "volume_l": 30}
    both = desk.post(edit, values | {"half_time_h": 55, "air_changes_day": 0.3})
    assert says(both, "Give the half-time or the air changes, not both")
    assert desk.post(edit, values | {"air_changes_day": 0.3}).status_code == 302
    stored = Place.objects.get(pk=shop.box.pk)
    # ln 2 / 0.3 days.
    assert stored.half_time_h == pytest.approx(55.45, abs=0.01)
    assert stored.limit_rh_pct == 20
    assert says(page(desk, stored), "Record the desiccant in the box")
    put = reverse("place-desiccant", args=[stored.pk])
    kept = desk.post(put, SILICA | {"when": local_input(hours_ago(0.02)), "note": "blue beads"})
    assert kept.headers["Location"] == reverse("place", args=[stored.pk])
    charge = DesiccantCharge.objects.get()
    assert (charge.place, charge.dry_mass_g, charge.note) == (stored, 200, "blue beads")
    assert charge.recorded_by == shop.user
    assert says(page(desk, stored), "at the next full hour")
    desk.post(put, {"kind": "silica_gel", "dry_mass_g": 0, "condition": "unknown"})
    assert says(page(desk, stored), "The desiccant was taken out on")


def test_it_shows_the_computed_air_and_the_outlook(desk, charged):
    told = page(desk, charged)
    box = box_now(charged)
    assert says(told, "Computed, not measured")
    assert says(told, f"{box.rh_pct:.0f} % RH")
    assert says(told, "200 g of silica gel, regenerated at 120 °C")
    assert says(told, f"about {box.held_g:.1f} g, of {box.limit_g:.1f} g at the limit")
    assert says(told, "0.3 air changes a day") or says(told, "0.302 air changes a day")
    assert says(told, "Never use an oven in which food is prepared")
    assert says(told, "never heated above 120 °C")
    assert says(told, "common practice, no source")
    assert told.content.decode().count("chart-line") == 1, "the box has no readings"
    assert says(desk.get(reverse("places")), "computed from 200 g of silica gel")


@pytest.mark.parametrize(("rh_pct", "word"), [(48, "likely spent desiccant"), (30, "likely a leak")])
def test_it_says_when_the_hygrometer_disagrees(desk, charged, rh_pct, word):
    record_readings(charged, [(hours_ago(h), 21, rh_pct) for h in range(8)], origin="api")
    told = page(desk, charged)
    assert says(told, "Box and model disagree.") and says(told, word)
    assert says(told, f"{rh_pct} % RH") and says(told, "Measured; the model computes")
    assert says(told, "Over the limit now")


@pytest.mark.parametrize(
    ("values", "message"),
    [
        ({"dry_mass_g": -3}, "between 0 and 50000 g"),
        ({"dry_mass_g": "much"}, "Enter a number"),
        ({"kind": "rice"}, "not one of the available choices"),
        ({"condition": "new"}, "Leave it empty"),
        ({"regenerated_c": ""}, "Give the temperature"),
        ({"regenerated_c": 900}, "between 40 and 500"),
        ({"when": "2126-01-01T10:00"}, "in the future"),
    ],
)
def test_impossible_desiccant_is_refused(desk, box, values, message):
    response = desk.post(reverse("place-desiccant", args=[box.pk]), SILICA | values)
    assert says(response, "Nothing was saved.") and says(response, message)
    assert not DesiccantCharge.objects.exists()


def test_desiccant_is_for_dry_boxes_only(shop, desk):
    assert desk.get(reverse("place-desiccant", args=[shop.shelf.pk])).status_code == 404
    edit = reverse("place-edit", args=[shop.shelf.pk])
    values = {"name": "Open shelf", "kind": "shelf", "assumed_temperature_c": 21, "assumed_rh_pct": 50}
    refused = desk.post(edit, values | {"set_point_error_c": 5, "half_time_h": 5})
    assert says(refused, "Volume and half-time are of dry boxes")


def test_its_reminder_leads_to_it(desk, box):
    put_desiccant(box, "silica_gel", 50, condition="unknown", at=hours_ago(30))
    sweep()
    told = desk.get(reverse("reminders"))
    assert says(told, "Regenerate the desiccant of Dry box")
    assert reverse("place", args=[box.pk]) in told.content.decode()


def test_a_charge_put_in_now_is_told_and_ends_the_reminder(desk, box):
    put_desiccant(box, "silica_gel", 50, condition="unknown", at=hours_ago(30))
    sweep()
    assert Reminder.objects.filter(place=box, ended_at=None).exists()
    # A minute ago may be in the hour before, where it would be in force already.
    with time_machine.travel(hours_ago(0).replace(minute=30), tick=False):
        put_desiccant(box, at=hours_ago(1 / 60), **SILICA)
        told = page(desk, box)
        sweep()
        assert says(told, "200 g of silica gel, regenerated at 120 °C : recorded for")
        assert says(told, "It counts from the next full hour")
        assert not Reminder.objects.filter(place=box, ended_at=None).exists()


def test_a_charge_is_withdrawn(desk, charged):
    charge = DesiccantCharge.objects.get()
    address = reverse("withdraw", args=["charge", charge.pk])
    assert address in page(desk, charged).content.decode()
    assert says(desk.get(address), "200 g of silica gel, regenerated at 120 °C, Dry box")
    assert desk.post(address, {"reason": "another box"}).headers["Location"] == reverse(
        "place", args=[charged.pk]
    )
    assert says(page(desk, charged), "200 g of silica gel, regenerated at 120 °C . Withdrawn on")
    assert box_now(charged) is None
    assert says(desk.post(address, {"reason": "again"}), "already")


def test_it_takes_few_queries(desk, charged):
    for address in (reverse("place", args=[charged.pk]), reverse("places")):
        with CaptureQueriesContext(connection) as queries:
            assert desk.get(address).status_code == 200
        assert len(queries) <= MOST_QUERIES, [query["sql"][:90] for query in queries]
