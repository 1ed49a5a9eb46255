"""The schema is complete, and no request made from it, sensible or not, breaks the service or the promise."""

from io import StringIO
from typing import Any

import pytest
import schemathesis
from django.core.management import call_command
from django.core.signals import request_finished, request_started
from django.core.wsgi import get_wsgi_application
from django.db import close_old_connections
from hypothesis import HealthCheck, Phase, given, settings
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from .conftest import ago

CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_schema_conformance,
]
# Ids in a shop made for the test, put where random ones would only ever be unknown.
NAMES_OF_IDS = {
    "place": "shelf",
    "room": "shelf",
    "dryer": "dryer",
    "feedstock": "nylon",
    "toolhead": "toolhead",
    "printer": "printer",
    "kind": "brass",
    "unload_to": "shelf",
}
# Hours ago that follow one another and what was done to the shop before.
TIMES = {"start": 9, "end": 8, "at": 7, "until": -24}


def test_the_schema_is_whole():
    call_command("spectacular", validate=True, fail_on_warn=True, stdout=StringIO(), stderr=StringIO())


def test_schema_and_documents_are_served(client):
    assert client.get("/api/schema/").status_code == 200
    assert b"swagger" in client.get("/api/docs/").content


def test_the_schema_is_built_once(client, monkeypatch):
    first = {form: client.get(f"/api/schema/?format={form}") for form in ("json", "yaml")}

    def build(*args, **kwargs):
        raise AssertionError("built again")

    monkeypatch.setattr("drf_spectacular.generators.SchemaGenerator.get_schema", build)
    for form, answer in first.items():
        again = client.get(f"/api/schema/?format={form}&nonsense=1")
        assert (again.content, again["Content-Type"]) == (answer.content, answer["Content-Type"])
    assert first["json"].json()["openapi"] and b"openapi: " in first["yaml"].content


@pytest.fixture
def used_shop(api, shop, receive):
    shop.code, shop.spare = receive(feedstock=shop.nylon_carbon), receive()
    api.post("stock", kind=shop.brass, count=3, at=ago(days=3))
    fitting = api.post("fittings", toolhead=shop.toolhead, kind=shop.brass, at=ago(days=2))
    shop.fitting, shop.part = fitting["id"], fitting["part"]
    return shop


@pytest.fixture
def schema(used_shop, client):
    # In-process calls send the request signals, which would close the test's own connection.
    for signal in (request_started, request_finished):
        signal.disconnect(close_old_connections)
    yield schemathesis.openapi.from_wsgi("/api/schema/?format=json", get_wsgi_application())
    for signal in (request_started, request_finished):
        signal.connect(close_old_connections)


def aimed(case: schemathesis.Case, shop) -> schemathesis.Case:
    """The same request, at rows that exist where it names some; every second one with likely values."""
    resource = case.path.split("/")[3]
    ids = {
        "places": shop.shelf,
        "feedstocks": shop.nylon,
        "printers": shop.printer,
        "toolheads": shop.toolhead,
        "part-kinds": shop.brass,
        "parts": shop.part,
        "fittings": shop.fitting,
        "polymers": shop.polyamide,
    }
    for name in case.path_parameters or {}:
        if name == "code":
            case.path_parameters[name] = shop.spare if case.path.endswith("empty/") else shop.code
        elif resource in ids:
            case.path_parameters[name] = ids[resource]
    likely = len(repr(case.body)) % 2 == 0
    case.body, case.query = (_aimed(values, shop, likely) for values in (case.body, case.query))
    return case


def _aimed(value: Any, shop, likely: bool, name: str = "") -> Any:
    if isinstance(value, dict):
        return {key: _aimed(inner, shop, likely, key) for key, inner in value.items()}
    if isinstance(value, list):
        return [_aimed(inner, shop, likely, name) for inner in value]
    if name == "spool" and isinstance(value, str):
        return shop.code
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        return value
    if name in NAMES_OF_IDS and not isinstance(value, str):
        return getattr(shop, NAMES_OF_IDS[name])
    if likely and name in TIMES:
        return ago(hours=TIMES[name])
    if likely and isinstance(value, int | float):
        return 1 + abs(value) % 150
    return value


def test_any_request_is_answered_as_promised(schema, used_shop, token):
    headers = {"Authorization": f"Token {token}"}
    operations = [result.ok() for result in schema.get_all_operations()]
    assert len(operations) > 70
    for operation in operations:

        @given(case=operation.as_strategy())
        @settings(
            max_examples=settings.default.max_examples // 10,
            derandomize=True,
            database=None,
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
        )
        def answered(case: schemathesis.Case) -> None:
            aimed(case, used_shop).call_and_validate(checks=CHECKS, headers=headers)

        answered()
