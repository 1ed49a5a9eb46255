"""Scales over the API: scans, weighings one by one and in lists, and those that are held."""

import json
import re
import shutil
import subprocess

import pytest
from django.conf import settings
from django.test import Client

from access.tokens import add_token
from maintenance.models import Scale
from pages.labels.ndef import list_fitting_tags, write_ndef
from tests.api.conftest import V1, ago
from tests.pages.corner import corner

GUIDE = settings.BASE_DIR / "docs" / "neighbours" / "scales.md"


def test_a_scan_and_a_weighing(api, shop, receive):
    code = receive()
    api.post("scales", name="bench", step_g=0.1, place=shop.shelf)
    scan = api.post("scans", code=code, place=shop.shelf)
    assert (scan["spool"], scan["place"]) == (code, shop.shelf)
    (sent,) = api.post("weighings", 200, scale="bench", mass=2.5, unit="lb", id="1")
    assert (sent["id"], sent["result"], sent["spool"]) == ("1", "recorded", code)
    (again,) = api.post("weighings", 200, scale="bench", mass=2.5, unit="lb", id="1")
    assert again == sent | {"result": "known"}
    (stored,) = api.get("weighings", spool=code)["results"]
    assert abs(stored["mass_g"] - 2.5 * 453.59237) < 1e-9 and stored["entry"]


def test_a_list_with_what_is_held(api, client, shop, receive):
    code = receive()
    sent = [
        {"scale": "bench", "mass": 1.1, "unit": "kg", "spool": code, "at": ago(hours=2)},
        {"scale": "bench", "mass": 500, "at": ago(hours=1)},
        {"scale": "bench", "mass": 700, "net": True, "spool": code},
    ]
    results = client.post(V1 + "weighings", sent).json()
    assert [row["result"] for row in results] == ["recorded", "held", "recorded"]
    (held,) = api.get("weighings", held="true")["results"]
    assert held["held"] == results[1]["held"] == "which_spool"
    settled = api.post(f"weighings/{held['id']}/settle", 200, spool=code)
    assert settled["entry"] and api.refusals(f"weighings/{held['id']}/set-aside") == {"": "settled_already"}
    assert client.post(V1 + "weighings", [*sent, {"scale": "bench"}]).json()["errors"][0]["field"] == "3.mass"
    assert client.post(V1 + "weighings", []).status_code == 400
    assert client.post(V1 + "weighings", [5]).status_code == 400
    too_many = [{"scale": "bench", "mass": 1}] * 1001
    assert client.post(V1 + "weighings", too_many).status_code == 400


def test_a_token_of_a_scale_weighs_and_reads_nothing(account, shop):
    client = Client(headers={"Authorization": f"Token {add_token(account, 'scale', 'weighings')[1]}"})
    sent = client.post(V1 + "weighings", {"scale": "bench", "mass": 5}, "application/json")
    assert (sent.status_code, client.get(V1 + "weighings").status_code) == (200, 403)


def test_values_of_a_scale_under_a_holder(api, client, shop):
    api.post("scales", name="holder", toolhead=shop.toolhead)
    refused = api.refusals("scales", name="other", toolhead=shop.toolhead)
    assert list(refused.values()) == ["has_a_scale"]
    assert (
        "place_or_toolhead"
        in api.refusals("scales", name="x", toolhead=shop.toolhead, slot=2, place=shop.shelf).values()
    )
    values = [{"scale": "holder", "mass": 1.2, "unit": "kg", "at": ago(minutes=n)} for n in range(5)]
    assert client.post(V1 + "scale-values", values).json() == {"added": 5, "known": 0, "set_aside": 0}
    late = [*values, {"scale": "bench", "mass": 7, "at": ago(days=3)}, {"scale": "bench", "mass": 7}]
    assert client.post(V1 + "scale-values", late).json() == {"added": 1, "known": 5, "set_aside": 1}
    assert api.get("scale-prints")["results"] == []
    assert client.post(V1 + "scale-values", {"scale": "holder"}).status_code == 400


@pytest.mark.skipif(shutil.which("curl") is None, reason="curl is not there")
@pytest.mark.django_db(transaction=True)
def test_the_commands_of_the_guide_work_as_printed(live_server):
    shop = corner()
    Scale.objects.create(name="bench", place=shop.box)
    commands = re.findall(r"^    (curl .*)$", GUIDE.read_text(), re.MULTILINE)
    environment = {"SHOP": live_server.url, "TOKEN": add_token(shop.user, "scale", "weighings")[1]}
    environment |= {"CODE": shop.free.code, "PLACE": str(shop.box.pk), "PATH": "/usr/bin:/bin"}
    answers = [
        json.loads(
            subprocess.run(["bash", "-c", line], env=environment, check=True, capture_output=True).stdout
        )
        for line in commands
    ]
    by_code, scan, by_scan, values = answers
    assert by_code[0]["result"] == by_scan[0]["result"] == "recorded"
    assert by_code[0]["spool"] == scan["spool"] == by_scan[0]["spool"] == shop.free.code
    assert values["added"] == 2


def test_the_guide_states_how_long_an_address_may_be():
    (most,) = re.findall(r"addresses of up to (\d+) characters", GUIDE.read_text())
    for length, fits in ((int(most), True), (int(most) + 1, False)):
        message = write_ndef("https://".ljust(length, "x"))
        assert ("NTAG213" in list_fitting_tags(message)) == fits
