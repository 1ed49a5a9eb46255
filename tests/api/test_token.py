"""Tokens are got with the name and password of an account, one for each device."""

from datetime import timedelta

import pytest
import time_machine
from django.utils import timezone
from rest_framework.test import APIClient

from access.models import Token
from access.tokens import add_token

from .conftest import V1

GOOD = {"username": "ada", "password": "filament-and-dry-air", "name": "scale", "scope": "all"}


def sends(key: str) -> APIClient:
    client = APIClient()
    client.credentials(HTTP_AUTHORIZATION=f"Token {key}")
    return client


def test_each_device_gets_a_token_of_its_own_that_is_stored_as_a_digest(account):
    client = APIClient()
    assert client.get(V1 + "places").status_code == 401
    first, second = (client.post(V1 + "token", GOOD).json()["token"] for _ in range(2))
    assert first != second
    assert sends(first).get(V1 + "places").status_code == 200
    stored = Token.objects.values()
    assert len(stored) == 2 and not any(first in str(value) for row in stored for value in row.values())
    assert sends(first).delete(V1 + "token").status_code == 204
    assert sends(first).get(V1 + "places").status_code == 401
    assert sends(second).get(V1 + "places").status_code == 200
    assert client.delete(V1 + "token").status_code == 401


@pytest.mark.parametrize(
    "wrong",
    [
        {"password": "wrong"},
        {"password": None},
        {"username": "a\0"},
        {"scope": "everything"},
        {"scope": "readings"},
        {"place": 1},
        {"days": 0},
    ],
)
def test_a_wrong_request_gives_none(account, wrong):
    response = APIClient().post(V1 + "token", GOOD | wrong)
    assert response.status_code == 400
    assert response.json()["errors"]
    assert not Token.objects.exists()


@pytest.mark.parametrize("key", ["0123", "", "lw_ä"])
def test_an_unknown_token_is_refused(account, key):
    response = sends(key).get(V1 + "places")
    assert response.status_code == 401
    assert response.json()["errors"]


def test_a_token_ends_with_its_account_and_its_time(account):
    _, key = add_token(account, "scale", "all", days=7)
    assert sends(key).get(V1 + "places").status_code == 200
    assert Token.objects.get().used_at is not None
    with time_machine.travel(timezone.now() + timedelta(days=8), tick=False):
        assert sends(key).get(V1 + "places").status_code == 401
    account.is_active = False
    account.save()
    assert sends(key).get(V1 + "places").status_code == 401
