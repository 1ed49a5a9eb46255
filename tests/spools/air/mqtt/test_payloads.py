"""Payloads read after a rule."""

from contextlib import suppress
from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spools.air.mqtt.notation import Rule, parse_reads, parse_topic
from spools.air.mqtt.payloads import NOTHING, Reason, Unreadable, read_message

NOW = datetime(2026, 3, 1, 12, tzinfo=UTC)
OWN = datetime(2026, 3, 1, 11, 59, tzinfo=UTC)


def read(topic: str, reads: str, payload: bytes, at: str = "", sensor: str = "box", fahrenheit: bool = False):
    rule = Rule(parse_topic(topic), parse_reads(reads), sensor, fahrenheit)
    return read_message(rule, at or topic, payload, NOW)


def values(content) -> list[tuple]:
    return [tuple(measurement) for measurement in content.measurements]


def test_a_plain_number_has_the_time_of_its_arrival():
    content = read("t", "temperature", b" 21.5\n")
    assert values(content) == [("box", "temperature", 21.5, NOW)]
    assert not content.own_time


def test_the_topic_names_sensor_and_quantity():
    content = read("{sensor}/{quantity}", "number", b"45", "attic/RH", sensor="")
    assert values(content) == [("attic", "humidity", 45.0, NOW)]
    assert read("{sensor}/{quantity}", "number", b"45", "attic/linkquality", sensor="") == NOTHING


@pytest.mark.parametrize(
    "at",
    [
        b'"2026-03-01T11:59:00Z"',
        b'"2026-03-01T12:59:00+01:00"',
        b"1772366340",
        b"1772366340000",
        b'"1772366340"',
    ],
)
def test_values_in_json_have_their_own_time(at):
    payload = b'{"at": %s, "temp": {"value": "70.7"}, "a.b": [1, {"rh": 40}], "batt": null}' % at
    content = read(
        "t", "temperature=temp.value humidity=a.b.1.rh battery=batt time=at", payload, fahrenheit=True
    )
    assert values(content) == [("box", "temperature", 21.5, OWN), ("box", "humidity", 40.0, OWN)]
    assert content.own_time


def test_a_time_without_a_zone_is_that_of_the_shop():
    content = read("t", "temperature=t time=at", b'{"t": 20, "at": "2026-03-01T12:59"}')
    assert content.measurements[0].at == OWN


@pytest.mark.parametrize(
    ("reads", "payload", "online"),
    [
        ("online=up offline=down", b"up", True),
        ("online=up offline=down", b"down", False),
        ("online=true offline=false state=is.up", b'{"is": {"up": false}}', False),
        ("online=1 offline=0 state=up", b'{"up": 1}', True),
    ],
)
def test_whether_the_sensor_is_there(reads, payload, online):
    content = read("t", reads, payload)
    assert (content.sensor, content.is_online) == ("box", online)


@pytest.mark.parametrize(
    ("reads", "payload", "reason"),
    [
        ("temperature", b"warm", Reason.NO_NUMBER),
        ("temperature", b"nan", Reason.NO_NUMBER),
        ("temperature", b"1e999", Reason.NO_NUMBER),
        ("temperature", b"", Reason.NO_NUMBER),
        ("temperature=t", b'{"t": true}', Reason.NO_NUMBER),
        ("temperature=t", b'{"t": ' + b"9" * 400 + b"}", Reason.NO_NUMBER),
        ("temperature=t", b"21.5", Reason.NO_VALUE),
        ("temperature=t", b'{"x": 1}', Reason.NO_VALUE),
        ("temperature=t", b"{", Reason.NO_JSON),
        ("temperature=t", b"[" * 50_000, Reason.NO_JSON),
        ("temperature=t", b"\xff\xfe", Reason.NO_JSON),
        ("temperature=t time=at", b'{"t": 1}', Reason.BAD_TIME),
        ("temperature=t time=at", b'{"t": 1, "at": 1e300}', Reason.BAD_TIME),
        ("temperature=t time=at", b'{"t": 1, "at": "9999-12-31T23:59:59-10:00"}', Reason.BAD_TIME),
        ("online=up offline=down", b"maybe", Reason.BAD_STATE),
        ("senml", b"[{}", Reason.BAD_SENML),
        ("temperature", b"1" * 70_000, Reason.TOO_LONG),
    ],
)
def test_a_payload_that_is_not_as_the_rule_says_has_a_reason(reads, payload, reason):
    with pytest.raises(Unreadable) as caught:
        read("t", reads, payload)
    assert caught.value.reason == reason


@given(st.binary(max_size=60) | st.from_regex(rb'\{"t": ?[^}]{0,20}\}', fullmatch=True))
@settings(max_examples=60)
def test_no_payload_ends_the_listener(payload):
    for reads in ("temperature", "temperature=t time=t", "online=up offline=down state=t", "senml"):
        with suppress(Unreadable):
            read("t", reads, payload)
