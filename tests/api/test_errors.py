"""One shape for every refusal; bad bodies are never the server's fault."""

import json

import pytest
from django.core.exceptions import ValidationError
from django.db import IntegrityError, OperationalError
from django.db.models import ProtectedError
from rest_framework.exceptions import NotFound
from rest_framework.exceptions import ValidationError as FormError
from rest_framework.fields import CharField

from api.errors import CLASH, IN_USE, handler
from spools.models import Place

from .conftest import V1


def errors_of(error: Exception) -> tuple[int, list[tuple[str, str]]]:
    response = handler(error, {})
    assert response is not None
    return response.status_code, [(e["field"], e["message"]) for e in response.data["errors"]]


@pytest.mark.parametrize(
    ("error", "expected"),
    [
        (ValidationError("Dry it first."), [("", "Dry it first.")]),
        (ValidationError({"at": "Too late."}), [("at", "Too late.")]),
        (ValidationError({"__all__": ["One.", "Two."]}), [("", "One."), ("", "Two.")]),
        (FormError({"rows": [{}, {"at": ["Wrong."]}]}), [("rows.1.at", "Wrong.")]),
        (FormError({"job": {"mass_g": ["Wrong."]}}), [("job.mass_g", "Wrong.")]),
        (FormError(["Wrong."]), [("", "Wrong.")]),
    ],
)
def test_messages_carry_the_name_of_their_input(error, expected):
    assert errors_of(error) == (400, expected)


@pytest.mark.parametrize("error", [IntegrityError("UNIQUE constraint failed"), ProtectedError("x", set())])
def test_clashes_are_reported_without_the_database_s_words(error):
    status, [(field, message)] = errors_of(error)
    assert (status, field) == (409, "")
    assert message in (CLASH, IN_USE)


def test_an_error_of_ours_stays_an_error():
    assert handler(ZeroDivisionError(), {}) is None


PLACE = {"name": "loft", "kind": "shelf"}
# Those of the framework, which have no remedy.
DEFAULT_MESSAGES = {str(NotFound.default_detail), *map(str, CharField.default_error_messages.values())}


@pytest.mark.parametrize(
    ("body", "media_type"),
    [
        (b"{", "application/json"),
        (b"\xff\xfe", "application/json"),
        (b"[" * 100_000, "application/json"),
        (b"7", "application/json"),
        (b"null", "application/json"),
        (b'{"name": NaN, "kind": "shelf"}', "application/json"),
        (b"", "application/json"),
        (json.dumps(PLACE | {"name": "a\0b"}).encode(), "application/json"),
        (json.dumps(PLACE | {"name": "\ud800"}).encode(), "application/json"),
        (json.dumps(PLACE | {"name": ["loft"]}).encode(), "application/json"),
        (json.dumps(PLACE | {"name": "x" * 61}).encode(), "application/json"),
        (json.dumps(PLACE | {"assumed_rh_pct": True}).encode(), "application/json"),
        (json.dumps(PLACE | {"assumed_rh_pct": "NaN"}).encode(), "application/json"),
        (json.dumps(PLACE | {"assumed_rh_pct": "Infinity"}).encode(), "application/json"),
        (json.dumps(PLACE | {"assumed_rh_pct": {}}).encode(), "application/json"),
        (b'{"name": "loft", "kind": "shelf", "assumed_rh_pct": 1e999}', "application/json"),
        (b'{"name": "loft", "kind": "shelf", "assumed_rh_pct": 1%s}' % (b"0" * 400), "application/json"),
        (b'{"name": "loft", "kind": "shelf", "assumed_rh_pct": 1%s}' % (b"0" * 9000), "application/json"),
        (json.dumps(PLACE | {"room": 10**30}).encode(), "application/json"),
        (json.dumps(PLACE | {"room": "\0"}).encode(), "application/json"),
        (json.dumps(PLACE | {"assumed_rh": 40}).encode(), "application/json"),
    ],
)
def test_bodies_that_cannot_be_are_400_and_store_nothing(client, body, media_type):
    response = client.generic("POST", V1 + "places", body, content_type=media_type)
    assert response.status_code == 400, response.content
    assert response.json()["errors"]
    assert not Place.objects.exists()


def test_a_misspelt_field_is_named_beside_the_right_ones(api):
    messages = api.refused("places", **PLACE, assumed_rh=40)
    assert "assumed_rh_pct" in messages["assumed_rh"]


def test_other_media_types_and_methods(client):
    assert client.generic("POST", V1 + "places", b"x", content_type="text/plain").status_code == 415
    response = client.delete(V1 + "places")
    assert response.status_code == 405
    assert response.json()["errors"]


def test_every_refusal_has_a_remedy(client, shop):
    def reason(response, *names: str) -> tuple[str, str]:
        """The field and the code of the only reason, whose message is our own and names these values."""
        (error,) = response.json()["errors"]
        assert all(name in error["message"] for name in names), error
        assert error["message"] not in DEFAULT_MESSAGES
        return error["field"], error["code"]

    room = PLACE | {"kind": "dryer"}
    assert reason(client.post(V1 + "places", room | {"room": "loft"})) == ("room", "incorrect_type")
    unknown = client.post(V1 + "places", room | {"room": 999})
    assert reason(unknown, "999") == ("room", "does_not_exist")
    unknown = client.post(V1 + "stock", {"kind": 999, "count": 1})
    assert reason(unknown, "999") == ("kind", "does_not_exist")
    assert reason(client.post(V1 + "places", PLACE | {"name": 5})) == ("name", "invalid")
    stock = {"kind": shop.brass, "count": 1, "note": 5}
    assert reason(client.post(V1 + "stock", stock)) == ("note", "invalid")
    for path in ("reminders/999", "reminders/x", "places/999/readings", "places/x"):
        assert reason(client.get(V1 + path)) == ("", "not_found"), path
    assert reason(client.post(V1 + "reminders/999/complete", {"note": 5})) == ("", "not_found")
    form = client.generic("POST", V1 + "token", b"username=ada", "application/x-www-form-urlencoded")
    assert reason(form, "application/json", "Content-Type") == ("", "unsupported_media_type")
    text = client.generic("POST", f"{V1}places/{shop.shelf}/readings/csv", b"x", "text/plain")
    assert reason(text, "text/csv", "multipart/form-data", "Content-Type") == ("", "unsupported_media_type")


def test_a_body_that_is_too_large(client, settings):
    settings.MOST_BODY_BYTES = 1000
    body = json.dumps(PLACE | {"name": "x" * 1000}).encode()
    assert client.generic("POST", V1 + "places", body, content_type="application/json").status_code == 413


@pytest.mark.parametrize(
    "path",
    ["places/99999999999999999999999", "places/-1", "places/x", "places/%00", "polymers/1e3", "parts/0"],
)
def test_unknown_ids_are_404_in_the_same_shape(client, path):
    response = client.get(V1 + path)
    assert response.status_code == 404
    assert response.json()["errors"]


@pytest.mark.parametrize(
    "query",
    [
        "spools?feedstock=99999999999999999999999",
        "spools?place=x",
        "spools?place=%00",
        "jobs?since=yesterday",
        "jobs?since=0001-01-01T00:00:00%2B14:00",
        "jobs?since=2026-01-01T00:00:00",
        "jobs?spool=K7M%00",
        "reminders?kind=tea",
        "reminders?kinds=dry",
        "places?kind=shelf&colour=red",
        "printers?nozzle",
        "places?limit=x",
        "places?limit=0",
        "places?limit=-1",
        "places?offset=null",
        "places?offset=-1",
        "places?limit=",
        "jobs?until=",
        "spools?in_use=0",
        "loadings?open=maybe",
        "loadings?valid=null",
        "service-kinds?in_use=maybe",
        "places?format=nonsense",
        "today?format=csv",
        "places/1?format=",
    ],
)
def test_filters_that_cannot_be_are_400(client, query):
    response = client.get(V1 + query)
    assert response.status_code == 400, response.content
    assert response.json()["errors"]


@pytest.mark.parametrize("query", ["limit=99999999999999999999", "offset=99999999999999999999"])
def test_pages_far_away_are_empty_or_short(client, query):
    assert client.get(f"{V1}places?{query}").status_code == 200


def test_times_need_their_offset_and_a_year_that_can_be(api, catalogue):
    place = api.post("places", **PLACE)["id"]
    for at, word in [("2026-01-01T08:00:00", "offset"), ("9999-12-31T23:59:59Z", "year"), ("noon", "")]:
        messages = api.refused(f"places/{place}/readings", at=at, temperature_c=20, rh_pct=40)
        assert word in messages["at"]


def test_of_thousands_of_unknown_fields_the_first_are_named(api):
    body = {f"unknown_{number}": 1 for number in range(3000)} | {"x" * 5000: 1}
    response = api.client.post(f"{V1}places", body, format="json")
    errors = response.json()["errors"]
    assert response.status_code == 400 and len(response.content) < 10_000
    assert [error["field"] for error in errors] == [*(f"unknown_{number}" for number in range(20)), ""]
    assert "3,001" in errors[-1]["message"]


@pytest.mark.parametrize("character", ["\r", "\n", "\x07", "\x1b", "\u202e", "\u2028", "\u2029", "\u200b"])
def test_texts_have_no_invisible_characters(api, catalogue, character):
    name = f"Made{character}up"
    assert api.refusals("makers", name=name) == {"name": "control_characters"}
    assert api.refusals("places", **PLACE | {"name": name}) == {"name": "control_characters"}


def test_texts_of_acts_have_no_invisible_characters_but_notes_have_lines(api, shop, receive):
    code = receive()
    assert api.refusals(f"spools/{code}/end", note="a\u202eb") == {"note": "control_characters"}
    refused = api.refusals(f"spools/{code}/weigh", gross_g=900, note="a\x1bb")
    assert refused == {"note": "control_characters"}
    assert api.post(f"spools/{code}/weigh", gross_g=900, note="a\r\nb\nc 茶 é")["note"] == "a\r\nb\nc 茶 é"


def test_the_schema_declares_what_is_checked(client):
    shapes = client.get("/api/schema/?format=json").json()
    parts = shapes["components"]["schemas"]
    hours = parts["StaffedHoursRequest"]["properties"]["staffed_from"]
    assert "pattern" in hours and "format" not in hours
    assert parts["ReminderEvent"]["properties"]["by"]["nullable"]
    listed = shapes["paths"]["/api/v1/places/"]["get"]["parameters"]
    least = {parameter["name"]: parameter["schema"].get("minimum") for parameter in listed}
    assert (least["limit"], least["offset"]) == (1, 0)
    numbers = [
        (name, field)
        for name, shape in parts.items()
        if name.endswith("Request")
        for field, declared in shape.get("properties", {}).items()
        if declared.get("type") == "number" and not {"minimum", "maximum"} <= declared.keys()
    ]
    assert numbers == []


def test_whoever_waited_in_vain_for_the_database_is_asked_to_come_again(db):
    answer = handler(OperationalError("database is locked"), {})
    assert answer is not None and (answer.status_code, answer["Retry-After"]) == (503, "5")
    assert [error["code"] for error in answer.data["errors"]] == ["busy"]
    assert handler(OperationalError("no such table"), {}) is None
