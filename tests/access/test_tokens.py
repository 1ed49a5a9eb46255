"""Tokens: each scope against every endpoint, and the page that adds and ends them."""

import re

import pytest
from django.test import Client

from access.models import Token
from access.table import addresses
from access.tokens import add_token, allows
from tests.access.test_matrix import path_of
from tests.pages.shown import notes, require_refused, shows

API = [address for address in addresses() if address.name.startswith("v1:") and address.name != "v1:token"]
PLACE = 7
WRITES = {
    "read": {"v1:dryingruns-plan", "v1:maystart", "v1:readiness"},
    "readings": {"v1:readings-list", "v1:readings-csv"},
    "sensors": {"v1:measurements-list"},
    "weighings": {"v1:spools-weigh", "v1:scalevalues-list", "v1:scans-list", "v1:weighings-list"},
    "jobs": {
        *("v1:jobs-list", "v1:jobs-change-spool", "v1:jobs-end", "v1:jobs-project", "v1:jobs-reprint"),
        *("v1:jobs-start", "v1:jobs-withdraw", "v1:jobevents-withdraw"),
        *("v1:jobfiles-list", "v1:jobfiles-material", "v1:jobfiles-read", "v1:jobfiles-record"),
        *("v1:jobfiles-content", "v1:jobfiles-stop"),
        *("v1:maystart", "v1:printerevents-list", "v1:printerevents-withdraw"),
    },
}


@pytest.mark.parametrize("scope", WRITES)
def test_a_scope_opens_what_it_names_and_no_more(people, scope):
    _, key = add_token(people["set_up"], "device", scope, PLACE if scope == "readings" else None)
    client = Client(headers={"Authorization": f"Token {key}"})
    reads, writes = set(), set()
    for address in API:
        path = path_of(address.pattern.replace("(?P<place_pk>[^/.]+)", str(PLACE)))
        for method in set(address.actions) - {"head"}:
            answer = client.generic(method.upper(), path)
            if answer.status_code != 403:
                (reads if method == "get" else writes).add(address.name)
    assert writes == WRITES[scope]
    everything = {address.name for address in API if "get" in address.actions}
    jobs = {name for name in everything if name.startswith(("v1:job", "v1:maystart", "v1:printerevents"))}
    assert reads == {"read": everything, "jobs": jobs}.get(scope, set())


def test_a_token_sends_readings_of_its_place_alone(people):
    token, _ = add_token(people["work"], "sensor", "readings", PLACE)
    assert allows(token, "v1:readings-list", "POST", {"place_pk": "7"})
    assert not allows(token, "v1:readings-list", "POST", {"place_pk": "8"})
    assert not allows(token, "metrics", "GET", {})


def test_a_token_never_does_more_than_its_account(people):
    _, key = add_token(people["view"], "script", "all")
    client = Client(headers={"Authorization": f"Token {key}"})
    assert client.get("/api/v1/places").status_code == 200
    assert client.post("/api/v1/jobs", {}, "application/json").status_code == 403


def test_a_token_is_shown_once_listed_and_ended(clients, people):
    page = clients["work"].post("/accounts/tokens/", {"name": "scale", "scope": "weighings"})
    assert notes(page) >= {"key"} and page.headers["Cache-Control"].count("no-store")
    key = re.search(r"lw_[\w-]+", page.content.decode())[0]
    listed = clients["work"].get("/accounts/tokens/")
    assert shows(listed, "scale", note="token") and key not in listed.content.decode()
    add_token(people["set_up"], "other", "read")
    assert not shows(clients["work"].get("/accounts/tokens/"), "other", note="token")
    assert shows(clients["set_up"].get("/accounts/tokens/"), "scale", note="token")
    other = Token.objects.get(name="other")
    assert clients["work"].post(f"/accounts/tokens/{other.pk}/end/").status_code == 404
    mine = Token.objects.get(name="scale")
    assert clients["work"].post(f"/accounts/tokens/{mine.pk}/end/").status_code == 302
    answer = Client().post("/api/v1/spools/X/weigh", headers={"Authorization": f"Token {key}"})
    assert answer.status_code == 401


@pytest.mark.parametrize(
    ("who", "wrong", "code", "field"),
    [
        ("work", {"scope": "readings"}, "place_of_readings", "place"),
        ("view", {"scope": "jobs"}, "scope_needs_work", "scope"),
        ("work", {"days": "0"}, "min_value", "days"),
        ("work", {"name": ""}, "required", "name"),
    ],
)
def test_an_impossible_token_is_refused(clients, who, wrong, code, field):
    given = {"name": "scale", "scope": "weighings"} | wrong
    require_refused(clients[who].post("/accounts/tokens/", given), code, field)
    assert not Token.objects.exists()
