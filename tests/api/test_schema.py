"""The schema is complete, and no request made from it, sensible or not, breaks the service or the promise."""

from contextlib import suppress
from io import StringIO

import pytest
import schemathesis
from django.core.management import call_command
from django.core.signals import request_finished, request_started
from django.db import close_old_connections
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis.errors import Unsatisfiable
from schemathesis.generation import GenerationMode

from .any_request import aim, load_schema, use_shop


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
def used_shop(api, shop):
    return use_shop(api, shop)


@pytest.fixture
def schema(used_shop, client):
    # In-process calls send the request signals, which would close the test's own connection.
    for signal in (request_started, request_finished):
        signal.disconnect(close_old_connections)
    yield load_schema()
    for signal in (request_started, request_finished):
        signal.connect(close_old_connections)


@pytest.mark.parametrize("mode", GenerationMode)
def test_any_request_is_answered_as_promised(schema, used_shop, token, mode):
    """Some of each operation; python -m tests.api sends far more, and by others."""
    headers = {"Authorization": f"Token {token}"}
    sent = 0
    for operation in (result.ok() for result in schema.get_all_operations()):

        @given(case=operation.as_strategy(generation_mode=mode))
        @settings(
            max_examples=1,
            derandomize=True,
            database=None,
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
        )
        def answered(case: schemathesis.Case) -> None:
            aim(case, used_shop)
            case.call_and_validate(headers=headers)

        # Some have nothing that could be wrong.
        with suppress(Unsatisfiable):
            answered()
            sent += 1
    assert sent > 150
