import pytest
from django.core.cache import cache
from rest_framework.test import APIClient

from .conftest import V1

GOOD = {"username": "ada", "password": "filament-and-dry-air"}


def test_a_token_opens_the_interface(account):
    client = APIClient()
    assert client.get(V1 + "places").status_code == 401
    token = client.post(V1 + "token", GOOD).json()["token"]
    client.credentials(HTTP_AUTHORIZATION=f"Token {token}")
    assert client.get(V1 + "places").status_code == 200
    assert client.post(V1 + "token", GOOD).json()["token"] == token


@pytest.mark.parametrize(
    "asked", [GOOD | {"password": "wrong"}, {"username": "ada"}, {}, GOOD | {"username": "a\0"}]
)
def test_a_wrong_password_gives_none(account, asked):
    response = APIClient().post(V1 + "token", asked)
    assert response.status_code == 400
    assert response.json()["errors"]


def test_a_wrong_token_is_refused(account):
    client = APIClient()
    client.credentials(HTTP_AUTHORIZATION="Token 0123")
    response = client.get(V1 + "places")
    assert response.status_code == 401
    assert response.json()["errors"]


def test_a_closed_account_s_token_is_refused(account, client):
    account.is_active = False
    account.save()
    assert client.get(V1 + "places").status_code == 401


def test_attempts_are_limited_whatever_the_forwarding_header(account):
    cache.clear()
    client = APIClient()
    wrong = GOOD | {"password": "guess"}
    answers = [
        client.post(V1 + "token", wrong, HTTP_X_FORWARDED_FOR=f"10.0.0.{n}").status_code for n in range(12)
    ]
    assert answers == [400] * 10 + [429] * 2
    cache.clear()
    assert client.post(V1 + "token", GOOD).status_code == 200
