"""What sensors send: SenML and CSV over HTTP, read by an independent library's writer, and RFC 8428's own examples."""

import json
import re
from datetime import UTC, datetime, timedelta

import cbor2
import pytest
from django.conf import settings
from kpn_senml import SenmlPack, SenmlRecord, SenmlUnits

from access.tokens import add_token
from spools.air.sensors.senml import MOST_RECORDS, read_senml
from spools.models import Reading
from tests.refusals import refuses

from .conftest import V1, ago

NOW = datetime(2026, 3, 2, 8, tzinfo=UTC)
JSON, CBOR = "application/senml+json", "application/senml+cbor"


def pack(minutes_ago: float = 5) -> SenmlPack:
    """As another program writes it."""
    written = SenmlPack("shelf-1:")
    written.base_time = (datetime.now(UTC) - timedelta(minutes=minutes_ago)).timestamp()
    written.add(SenmlRecord("temperature", unit=SenmlUnits.SENML_UNIT_DEGREES_CELSIUS, value=21.5))
    written.add(SenmlRecord("humidity", unit=SenmlUnits.SENML_UNIT_RELATIVE_HUMIDITY, value=44))
    written.add(SenmlRecord("light", unit="lx", value=90))
    return written


@pytest.fixture
def send(client):
    def send(body: bytes, media: str) -> dict:
        return client.generic("POST", f"{V1}measurements", body, media)

    return send


def test_a_pack_of_another_writer_becomes_a_reading_in_json_and_in_cbor(api, send, shop):
    written = pack()
    first = send(written.to_json().encode(), JSON).json()
    assert (first["waiting"], first["added"]) == (2, 0)
    sensor = api.get("sensors", name="shelf-1")["results"][0]
    assert (sensor["temperature_c"], sensor["rh_pct"]) == (21.5, 44)
    placed = api.post(f"sensors/{sensor['id']}/place", place=shop.shelf, start=ago(hours=1))
    assert placed["place"] == shop.shelf
    reading = Reading.objects.get(place=shop.shelf)
    assert (reading.temperature_c, reading.rh_pct, reading.origin) == (21.5, 44, "api")
    assert send(written.to_cbor(), CBOR).json()["already_there"] == 2
    assert send(pack(3).to_cbor(), CBOR).json()["added"] == 2
    assert send(pack(2).to_json().encode(), "application/json").json()["added"] == 2
    assert api.get(f"places/{shop.shelf}/climate")["origin"] == "reading"


# RFC 8428, section 5.1.1 to 5.1.4; from memory but for the names of the fields.
def test_the_forms_of_the_rfc_are_resolved():
    single = b'[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]'
    assert read_senml(single, NOW)[0][:3] == ("urn:dev:ow:10e2073a01080063", "temperature", 23.1)
    based = (
        b'[{"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076e+09,"bu":"%RH","bver":10,'
        b'"n":"humidity","v":40},{"n":"humidity","t":-5,"v":41},{"n":"temp","u":"Cel","t":-4,"v":20}]'
    )
    first, second, third = read_senml(based, NOW)
    assert first.sensor == second.sensor == third.sensor == "urn:dev:ow:10e2073a0108006"
    assert first.at == datetime.fromtimestamp(1276020076, UTC) and first.at - second.at == timedelta(
        seconds=5
    )
    assert (third.quantity, third.value) == ("temperature", 20)
    # Times below 2^28 are relative to now, and a base value is added.
    relative = read_senml(b'[{"n":"a","u":"K","bv":273.15,"t":-60,"v":20}]', NOW)
    assert relative[0][2:] == (20, NOW - timedelta(minutes=1))


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (b"", "not_senml"),
        (b"[]", "not_senml"),
        (b'{"n":"a"}', "not_senml"),
        (b"[1]", "not_senml"),
        (b'[{"n":"a","u":"Cel","v":true}]', "not_senml"),
        (b'[{"n":"_a","u":"Cel","v":1}]', "not_senml"),
        (b'[{"n":"a","u":"Cel","v":1,"t":1e300}]', "not_senml"),
        (b'[{"n":"a","u":"Cel","v":1,"later_":1}]', "not_understood"),
        (b'[{"bver":11,"n":"a","u":"Cel","v":1}]', "not_understood"),
        (b"\x81" * 100_000, "not_senml"),
        (b"\x9b" + b"\xff" * 8, "not_senml"),
        (b"\xd8\x1c\x81\xd8\x1d\x00", "not_senml"),
        (cbor2.dumps([{0: "a", 1: "Cel", 2: float("nan")}]), "not_senml"),
        (json.dumps([{"n": "a", "u": "Cel", "v": 1}] * (MOST_RECORDS + 1)).encode(), "many_records"),
    ],
)
def test_what_is_no_pack_is_refused_whole(content, code):
    with refuses(code):
        read_senml(content, NOW)


def test_a_file_of_several_sensors_and_one_value_that_cannot_be(send, shop):
    at = ago(minutes=9)
    rows = [f"{at},a,21,40,90", f"{at},b,-127,41,", f"{at},b,,300,"]
    text = "time,sensor,temperature_c,rh_pct,battery_pct\n" + "\n".join(rows)
    counts = send(text.encode(), "text/csv").json()
    assert (counts["batteries"], counts["set_aside"], counts["waiting"]) == (1, 1, 3)
    assert counts["set_aside_values"][0]["reason"] == "impossible"
    refused = send(b"time,sensor,rh_pct\nyesterday,a,40", "text/csv")
    assert refused.status_code == 400 and refused.json()["errors"][0]["code"] == "not_a_time"
    assert send(b"x", "text/plain").status_code == 415


def test_the_examples_of_the_docs_are_taken(send, shop):
    text = (settings.BASE_DIR / "docs" / "neighbours" / "sensors.md").read_text()
    [example] = re.findall(r"```json\n(.*?)```", text, re.DOTALL)
    assert send(example.encode(), JSON).json()["waiting"] == 2
    [example] = re.findall(r"```csv\n(.*?)```", text, re.DOTALL)
    assert send(example.encode(), "text/csv").json()["waiting"] == 4


def test_a_token_of_sensors_sends_and_reads_nothing(client, shop, django_user_model):
    person = django_user_model.objects.create_user("gateway", password="x", role="work")
    _, key = add_token(person, "gateway", "sensors")
    headers = {"Authorization": f"Token {key}"}
    client.logout()
    body = pack().to_json()
    assert client.generic("POST", f"{V1}measurements", body, JSON, headers=headers).status_code == 201
    assert client.get(f"{V1}sensors", headers=headers).status_code == 403
