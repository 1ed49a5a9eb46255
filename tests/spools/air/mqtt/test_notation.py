"""Topics and the words for what is read."""

import pytest

from spools.air.mqtt.notation import Reads, parse_reads, parse_topic, require_sensor
from tests.refusals import refuses


@pytest.mark.parametrize(
    ("pattern", "topic", "found"),
    [
        ("shop/+/temperature", "shop/box/temperature", {}),
        ("shop/+/temperature", "shop/box/humidity", None),
        ("shop/+/temperature", "shop/a/b/temperature", None),
        ("sensors/{sensor}/{quantity}", "sensors/box 1/rh", {"sensor": "box 1", "quantity": "rh"}),
        ("{sensor}/x/{sensor}", "attic/x/3", {"sensor": "attic/3"}),
        ("shop/#", "shop/a/b", {}),
        ("shop/#", "shop", {}),
        ("shop/{sensor}/#", "shop/a", {"sensor": "a"}),
        ("shop/#", "shops/a", None),
    ],
)
def test_a_topic_is_matched_level_by_level(pattern, topic, found):
    assert parse_topic(pattern).match(topic) == found


def test_a_broker_gets_wildcards_for_words_in_braces():
    assert parse_topic("a/{sensor}/{quantity}/+/#").filter == "a/+/+/+/#"


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("", "topic_empty"),
        ("{quantity}/{quantity}", "topic_empty"),
        ("a/#/b", "topic_hash"),
        ("a/b+", "topic_level"),
        ("a/{place}", "topic_level"),
        ("a/x{sensor}", "topic_level"),
    ],
)
def test_a_topic_that_no_broker_takes_is_refused(text, code):
    with refuses(code, "topic"):
        parse_topic(text)


@pytest.mark.parametrize(
    ("text", "reads"),
    [
        ("temperature", Reads({"temperature": ()})),
        ("number=value time=at", Reads({"number": ("value",)}, time=("at",))),
        ("temperature=t.0 humidity=rh", Reads({"temperature": ("t", "0"), "humidity": ("rh",)})),
        ('temperature="air temp.value"', Reads({"temperature": ("air temp", "value")})),
        ("senml", Reads({}, is_senml=True)),
        ("offline=down online=up state=s", Reads({}, online="up", offline="down", state=("s",))),
    ],
)
def test_words_for_what_is_read(text, reads):
    assert parse_reads(text) == reads


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("", "reads"),
        ("pressure", "reads_word"),
        ("temperature humidity", "reads"),
        ("temperature=", "reads"),
        ("time=at", "reads"),
        ("online=up", "reads"),
        ("senml=x", "reads"),
        ("senml temperature=t", "reads"),
        ("temperature=a temperature=b", "reads"),
        ("number=a humidity=b", "reads"),
        ('temperature="a', "reads_quotes"),
    ],
)
def test_words_that_nobody_can_read_are_refused(text, code):
    with refuses(code, "reads"):
        parse_reads(text)


@pytest.mark.parametrize(
    ("topic", "reads", "sensor", "code"),
    [
        ("shop/+/temperature", "temperature", "", "rule_sensor"),
        ("shop/{sensor}/temperature", "temperature", "box", "rule_sensor"),
        ("shop/{sensor}/{quantity}", "temperature", "", "reads_quantity"),
        ("shop/{sensor}/x", "number", "", "reads_quantity"),
    ],
)
def test_a_rule_names_its_sensor_and_its_quantity_once(topic, reads, sensor, code):
    with refuses(code):
        require_sensor(parse_topic(topic), parse_reads(reads), sensor)
