"""The page of a dry box, and recording its desiccant."""

from collections.abc import Iterator
from datetime import timedelta

import pytest
import time_machine
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from maintenance.models import Reminder
from maintenance.reminders.sweep import sweep
from spools.air import dry_box_cache
from spools.air.climate import record_readings
from spools.air.dry_box import box_now, put_desiccant
from spools.models import DesiccantCharge, Place
from tests.pages.shown import due_rows, notes, require_refused, shows
from tests.pages.small_shop import local_input
from tests.spools.conftest import hours_ago

MOST_QUERIES = 26
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


def test_the_page_lists_missing_data(shop, desk):
    result = page(desk, shop.box)
    missing = result.context["missing"]
    assert len(missing.values["missing"]) == 3
    assert shows(result, missing.sentence, note="box_incomplete")
    assert "charge_missing" in notes(result)


@pytest.fixture
def minute_seven() -> Iterator[None]:
    """No quarter of an hour, for which air is stored, is near: the next seventh minute after one."""
    now = timezone.now()
    with time_machine.travel(now + timedelta(minutes=(7 - now.minute) % 15), tick=True):
        yield


def test_from_an_empty_box_to_a_computed_one(shop, desk, minute_seven):
    edit = reverse("place-edit", args=[shop.box.pk])
    values = {"name": "Dry box", "kind": "dry_box", "assumed_temperature_c": 21, "assumed_rh_pct": 15}
    values |= {"set_point_error_c": 5, "room": shop.shelf.pk, "volume_l": 30}
    both = desk.post(edit, values | {"half_time_h": 55, "air_changes_day": 0.3})
    require_refused(both, "half_time_or_air_changes", "air_changes_day")
    assert desk.post(edit, values | {"air_changes_day": 0.3}).status_code == 302
    stored = Place.objects.get(pk=shop.box.pk)
    # ln 2 / 0.3 days.
    assert stored.half_time_h == pytest.approx(55.45, abs=0.01)
    assert stored.limit_rh_pct == 20
    assert "box_without_charge" in notes(page(desk, stored))
    put = reverse("place-desiccant", args=[stored.pk])
    kept = desk.post(put, SILICA | {"when": local_input(hours_ago(0.02)), "note": "blue beads"})
    assert kept.headers["Location"] == reverse("place", args=[stored.pk])
    charge = DesiccantCharge.objects.get()
    assert (charge.place, charge.dry_mass_g, charge.note) == (stored, 200, "blue beads")
    assert charge.recorded_by == shop.user
    assert "box_starts" in notes(page(desk, stored))
    desk.post(put, {"kind": "silica_gel", "dry_mass_g": 0, "condition": "unknown"})
    assert "box_emptied" in notes(page(desk, stored))


def test_it_shows_the_computed_air_and_the_outlook(desk, charged):
    result = page(desk, charged)
    box = box_now(charged)
    assert "computed" in notes(result) and "measured" not in notes(result)
    assert shows(result, f"{box.rh_pct:.0f} % RH", box.charge)
    assert shows(result, f"{box.held_g:.1f} g", f"{box.limit_g:.1f} g")
    assert shows(result, "0.3", note="leak")
    assert {"no_food", "no_source"} <= notes(result)
    advice = result.context["advice"]
    assert advice.code == "dry_box_regeneration.silica_gel" and shows(result, advice.sentence)
    chart = result.context["box_chart"]
    assert chart.headers == ["computed", "forecast", "event"], "the box has no readings"
    now = [row for row in chart.rows if row.cells[2] == "now"]
    assert [row.cells[1] for row in now] == [f"{box.rh_pct:.0f}"]
    assert [text for _, text, _ in chart.limits] == [f"limit {charged.limit_rh_pct:.0f}"]
    places = desk.get(reverse("places"))
    [row] = [row for row in places.context["rows"] if row.place == charged]
    assert (
        row.climate.origin == "computed"
        and row.climate.source.values["desiccant"]["values"]["dry_mass_g"] == 200
    )
    assert row.spark.limit is not None and row.spark.title in places.content.decode()


@pytest.mark.parametrize(("rh_pct", "kind"), [(48, "spent"), (30, "leak")])
def test_the_page_shows_that_the_hygrometer_disagrees(desk, charged, rh_pct, kind):
    record_readings(charged, [(hours_ago(h), 21, rh_pct) for h in range(8)], origin="api")
    result = page(desk, charged)
    (finding,) = result.context["box"].findings
    assert finding.code == f"dry_box.{kind}" and shows(result, finding.sentence, note="disagrees")
    assert shows(result, f"{rh_pct} % RH") and {"measured", "over_limit"} <= notes(result)


@pytest.mark.parametrize(
    ("values", "field", "code"),
    [
        ({"dry_mass_g": -3}, "dry_mass_g", "min_value"),
        ({"dry_mass_g": "much"}, "dry_mass_g", "invalid"),
        ({"kind": "rice"}, "kind", "invalid_choice"),
        ({"condition": "new"}, "regenerated_c", "not_regenerated"),
        ({"regenerated_c": ""}, "regenerated_c", "temperature_missing"),
        ({"regenerated_c": 900}, "regenerated_c", "max_value"),
        ({"when": "2126-01-01T10:00"}, "when", "in_the_future"),
    ],
)
def test_impossible_desiccant_is_refused(desk, box, values, field, code):
    response = desk.post(reverse("place-desiccant", args=[box.pk]), SILICA | values)
    require_refused(response, code, field)
    assert not DesiccantCharge.objects.exists()


def test_desiccant_is_for_dry_boxes_only(shop, desk):
    assert desk.get(reverse("place-desiccant", args=[shop.shelf.pk])).status_code == 404
    edit = reverse("place-edit", args=[shop.shelf.pk])
    values = {"name": "Open shelf", "kind": "shelf", "assumed_temperature_c": 21, "assumed_rh_pct": 50}
    refused = desk.post(edit, values | {"set_point_error_c": 5, "half_time_h": 5})
    require_refused(refused, "not_a_dry_box")


def test_its_reminder_leads_to_it(desk, box):
    put_desiccant(box, "silica_gel", 50, condition="unknown", at=hours_ago(30))
    sweep()
    result = desk.get(reverse("reminders"))
    assert "regenerate" in [row.reminder.kind for row in due_rows(result)]
    assert reverse("place", args=[box.pk]) in result.content.decode()


def test_a_charge_put_in_now_is_shown_and_ends_the_reminder(desk, box):
    put_desiccant(box, "silica_gel", 50, condition="unknown", at=hours_ago(30))
    sweep()
    assert Reminder.objects.filter(place=box, ended_at=None).exists()
    # A minute ago may be in the hour before, where it would be in force already.
    with time_machine.travel(hours_ago(0).replace(minute=30), tick=False):
        put_desiccant(box, at=hours_ago(1 / 60), **SILICA)
        result = page(desk, box)
        sweep()
        assert shows(result, "200 g of silica gel, regenerated at 120 °C", note="charge_waits")
        assert not Reminder.objects.filter(place=box, ended_at=None).exists()


def test_a_charge_is_withdrawn(desk, charged):
    charge = DesiccantCharge.objects.get()
    address = reverse("withdraw", args=["charge", charge.pk])
    assert address in page(desk, charged).content.decode()
    assert shows(desk.get(address), charge, charge.place)
    assert desk.post(address, {"reason": "another box"}).headers["Location"] == reverse(
        "place", args=[charged.pk]
    )
    withdrawn = page(desk, charged)
    assert f"<s>{charge}</s>" in withdrawn.content.decode()
    assert shows(withdrawn, "another box", note="withdrawn")
    assert box_now(charged) is None
    require_refused(desk.post(address, {"reason": "again"}), "withdrawn_already")


def test_it_takes_few_queries(desk, charged):
    for address in (reverse("place", args=[charged.pk]), reverse("places")):
        with CaptureQueriesContext(connection) as queries:
            assert desk.get(address).status_code == 200
        assert len(queries) <= MOST_QUERIES, [query["sql"][:90] for query in queries]
