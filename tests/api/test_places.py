import json

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile

from spools.air.dry_box import list_missing
from spools.air.wording import MISSING
from spools.models import Place, Reading

from .conftest import V1, ago

CSV = "time,temperature_c,rh_pct\n2026-01-31T08:00Z,21.5,48\n2026-01-31T09:00Z,21.0,49\n"


def test_a_place_is_added_read_and_corrected(api, shop):
    place = api.post("places", name="loft", kind="shelf", assumed_temperature_c=19, assumed_rh_pct=60)
    assert api.get(f"places/{place['id']}") == place
    assert api.patch(f"places/{place['id']}", assumed_rh_pct=65)["assumed_rh_pct"] == 65
    assert [row["id"] for row in api.get("places", kind="dryer")["results"]] == [shop.dryer]


@pytest.mark.parametrize(
    ("wrong", "field"),
    [
        ({"assumed_rh_pct": 140}, "assumed_rh_pct"),
        ({"assumed_temperature_c": -300}, "assumed_temperature_c"),
        ({"kind": "cupboard"}, "kind"),
        ({"kind": "dryer"}, ""),
        ({"name": "dry box"}, "name"),
    ],
)
def test_a_place_that_cannot_be_is_refused(api, shop, wrong, field):
    count = api.get("places")["count"]
    assert field in api.refused("places", **{"name": "loft", "kind": "shelf"} | wrong)
    assert api.get("places")["count"] == count


def test_climate_is_assumed_until_it_is_read(api, shop):
    climate = api.get(f"places/{shop.shelf}/climate")
    assert (climate["origin"], climate["rh_pct"]) == ("assumed", 55)
    api.post(f"places/{shop.shelf}/readings", at=ago(minutes=5), temperature_c=22.5, rh_pct=41)
    climate = api.get(f"places/{shop.shelf}/climate")
    assert (climate["origin"], climate["temperature_c"], climate["rh_pct"]) == ("reading", 22.5, 41)


def test_many_readings_at_once_and_again(api, client, shop):
    rows = [{"at": ago(hours=n), "temperature_c": 20 + n, "rh_pct": 40} for n in range(1, 4)]
    address = f"{V1}places/{shop.shelf}/readings"
    assert client.post(address, rows).json() == {"added": 3, "already_there": 0}
    assert client.post(address, rows).json() == {"added": 0, "already_there": 3}
    listed = api.get(f"places/{shop.shelf}/readings", since=ago(hours=2, minutes=30))
    assert [row["temperature_c"] for row in listed["results"]] == [22, 21]
    assert listed["results"][0]["origin"] == "api"
    assert api.get(f"places/{shop.dry_box}/readings")["count"] == 0


@pytest.mark.parametrize(
    ("wrong", "names"),
    [
        ({"rh_pct": 140}, ["rh_pct", "140"]),
        ({"rh_pct": -1}, ["rh_pct", "-1"]),
        ({"temperature_c": 900}, ["temperature_c", "900"]),
        ({"at": ago(hours=-5)}, ["time"]),
    ],
)
def test_one_impossible_reading_refuses_all(client, shop, wrong, names):
    good = {"at": ago(hours=1), "temperature_c": 21, "rh_pct": 45}
    response = client.post(f"{V1}places/{shop.shelf}/readings", [good, good | wrong])
    assert response.status_code == 400
    (error,) = response.json()["errors"]
    assert error["code"] == "impossible_reading"
    assert all(name in error["message"] for name in ["2", *names]), error
    assert not Reading.objects.exists()


def test_readings_of_a_wrong_form_are_named_by_their_number(client, shop):
    rows = [{"at": ago(hours=1), "temperature_c": 21, "rh_pct": 45}, {"at": ago(hours=2), "rh_pct": 45}]
    response = client.post(f"{V1}places/{shop.shelf}/readings", rows)
    assert response.status_code == 400
    assert "1.temperature_c" in [error["field"] for error in response.json()["errors"]]
    assert client.post(f"{V1}places/{shop.shelf}/readings", []).status_code == 400
    assert not Reading.objects.exists()


def test_a_file_as_body_or_as_form(client, shop):
    address = f"{V1}places/{shop.shelf}/readings/csv"
    response = client.generic("POST", address, CSV.encode(), content_type="text/csv")
    assert (response.status_code, response.json()) == (201, {"added": 2, "already_there": 0})
    response = client.post(address, {"file": SimpleUploadedFile("log.csv", CSV.encode())}, format="multipart")
    assert (response.status_code, response.json()) == (201, {"added": 0, "already_there": 2})
    assert set(Reading.objects.values_list("origin", flat=True)) == {"file"}


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"\x89PNG\r\n\x1a\n\0\0",
        b"\xff\xfe\xfa",
        b"dear logger, what is the weather?",
        b"time,temperature_c\n2026-01-31T08:00Z,21\n",
        CSV.encode() + b"2026-01-31T10:00Z,21.0,140\n",
        CSV.encode() + b"2096-01-31T10:00Z,21.0,40\n",
        CSV.encode() + b"2026-01-31T10:00Z,warm,40\n",
        CSV.encode() + b"2026-01-31T10:00Z,nan,40\n",
        CSV.encode() + b"0001-01-01T00:00+14:00,21,40\n",
        CSV.encode() + b'"',
    ],
)
def test_a_file_that_is_no_csv_of_readings_is_refused_whole(client, shop, content):
    address = f"{V1}places/{shop.shelf}/readings/csv"
    response = client.generic("POST", address, content, content_type="text/csv")
    assert response.status_code == 400, response.content
    assert response.json()["errors"][0]["message"]
    assert not Reading.objects.exists()


def test_a_form_without_its_file_and_a_wrong_media_type(client, shop):
    address = f"{V1}places/{shop.shelf}/readings/csv"
    response = client.post(address, {"file": "readings.csv"}, format="multipart")
    assert response.json()["errors"][0]["field"] == "file"
    response = client.generic("POST", address, json.dumps([]).encode(), content_type="application/json")
    assert response.status_code == 415
    assert client.post(f"{V1}places/99999/readings", {}).status_code == 404


@pytest.fixture
def box(api, shop) -> int:
    api.patch(f"places/{shop.dry_box}", room=shop.shelf, volume_l=30, half_time_h=55, limit_rh_pct=15)
    return shop.dry_box


def test_desiccant_of_a_dry_box_and_what_is_computed_with_it(api, box):
    assert list_missing(Place.objects.get(pk=box)) == [], "only its desiccant is missing"
    assert api.refusals(f"places/{box}/box", method="get") == {"": "air_not_computed"}
    charge = {"kind": "silica_gel", "dry_mass_g": 300, "condition": "regenerated", "regenerated_c": 100}
    stored = api.post(f"places/{box}/charges", **charge, at=ago(days=3))
    assert stored["regenerated_c"] == 100
    assert api.get(f"places/{box}/charges")["results"] == [stored]
    state = api.get(f"places/{box}/box")
    assert state["charge"] == stored and state["measured_rh_pct"] is None
    assert 0 < state["computed_rh_pct"] < 5 and state["rh_pct"] == state["computed_rh_pct"]
    assert state["air_changes_day"] == pytest.approx(0.302, abs=0.001)
    assert not state["over_limit"] and state["findings"] == []
    assert state["days"]["likely"] is None or state["days"]["likely"] > 100
    assert api.get(f"places/{box}/climate")["origin"] == "computed"


@pytest.mark.parametrize(
    ("wrong", "field"),
    [
        ({"kind": "rice"}, "kind"),
        ({"dry_mass_g": -1}, "dry_mass_g"),
        ({"regenerated_c": 5}, "regenerated_c"),
        ({"regenerated_c": None}, "regenerated_c"),
        ({"at": ago(days=-1)}, "at"),
        ({"grams": 5}, "grams"),
    ],
)
def test_impossible_desiccant_is_refused(api, box, wrong, field):
    charge = {"kind": "silica_gel", "dry_mass_g": 300, "condition": "regenerated", "regenerated_c": 100}
    assert field in api.refused(f"places/{box}/charges", **charge | wrong)
    assert api.get(f"places/{box}/charges")["count"] == 0


def test_an_incomplete_box_lists_missing_data(api, shop):
    missing = list_missing(Place.objects.get(pk=shop.dry_box))
    assert len(missing) == 3
    assert api.refusals(f"places/{shop.dry_box}/box", method="get") == {"": "air_not_computed"}
    text = api.refused(f"places/{shop.dry_box}/box", method="get")[""]
    assert all(str(MISSING[name]) in text for name in missing)
    assert "half_time_h" not in api.refused(f"places/{shop.shelf}/charges", kind="clay")
    assert api.refusals(f"places/{shop.shelf}", method="patch", half_time_h=3) == {"": "not_a_dry_box"}
    charge = {"kind": "clay", "dry_mass_g": 30, "condition": "new"}
    assert api.refusals(f"places/{shop.shelf}/charges", **charge) == {"": "not_a_dry_box"}


def test_a_salt_check_corrects_the_climate_and_is_withdrawn(api, shop):
    checks = f"places/{shop.shelf}/salt-checks"
    api.post(f"places/{shop.shelf}/readings", at=ago(minutes=5), temperature_c=22.5, rh_pct=41)
    check = api.post(checks, rh_pct=78.3, temperature_c=25, at=ago(hours=3))
    assert (check["hours"], round(check["true_rh_pct"], 1), round(check["off_rh_pct"], 1)) == (12, 75.3, 3)
    assert api.get(f"places/{shop.shelf}/climate")["rh_pct"] == pytest.approx(38, abs=0.05)
    assert api.refusals(checks, rh_pct=40, temperature_c=25) == {"rh_pct": "salt_check_implausible"}
    assert api.refusals(checks, rh_pct=75) == {"temperature_c": "required"}
    api.post(f"{checks}/{check['id']}/withdraw", status=200, reason="the bag was open")
    assert [row["withdrawn_reason"] for row in api.get(checks)["results"]] == ["the bag was open"]
    climate = api.get(f"places/{shop.shelf}/climate")
    assert climate["rh_pct"] == 41 and "off_rh_pct" not in climate["source"]["values"]


def test_readings_are_withdrawn_admitted_again_and_corrected(api, shop):
    readings = f"places/{shop.shelf}/readings"
    at = ago(hours=2)
    api.post(readings, at=at, temperature_c=20, rh_pct=99)
    span = api.post(f"places/{shop.shelf}/reading-withdrawals", start=at, end=at, reason="stuck")
    assert span["recorded_by"] and api.get(readings)["count"] == 0
    assert api.post(readings, at=at, temperature_c=20, rh_pct=99) == {"added": 0, "already_there": 1}
    assert api.refused(f"places/{shop.shelf}/reading-withdrawals", start=at, end=at, reason="again")
    address = f"places/{shop.shelf}/reading-withdrawals/{span['id']}/withdraw"
    assert api.post(address, reason="it was right", status=200)["withdrawn_reason"] == "it was right"
    (admitted,) = api.get(readings)["results"]
    assert api.refused(f"{readings}/{admitted['id']}/correct", temperature_c=20, rh_pct=50)
    Reading.objects.update(origin="hand")
    assert api.post(f"{readings}/{admitted['id']}/correct", temperature_c=20, rh_pct=50)["rh_pct"] == 50
