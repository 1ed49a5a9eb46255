"""Addresses under /api/ where there is nothing."""

import pytest
from rest_framework.test import APIClient


@pytest.mark.parametrize("method", ["get", "post", "put", "patch", "delete"])
@pytest.mark.parametrize(
    "address", ["/api/", "/api/v1/spoolz", "/api/v2/spools", "/api/v1/spools/1/nothing/"]
)
def test_a_script_reads_json_where_there_is_nothing(db, method, address):
    response = getattr(APIClient(), method)(address)
    assert response.status_code == 404
    [error] = response.json()["errors"]
    assert (error["field"], error["code"]) == ("", "not_found")
    assert "/api/docs/" in error["message"]
