"""Rules of topics as people save them."""

import pytest

from spools.air.mqtt.rules import load_rules, retire_rule, save_rule
from spools.models import TopicRule
from tests.refusals import refuses

pytestmark = pytest.mark.django_db


def test_a_rule_is_read_by_until_it_is_out_of_use():
    rule = save_rule(TopicRule(topic=" shop/{sensor}/t ", reads="temperature", is_fahrenheit=True))
    assert [(loaded.topic.filter, loaded.is_fahrenheit) for loaded in load_rules()] == [("shop/+/t", True)]
    with refuses("rule_exists", "topic"):
        save_rule(TopicRule(topic="shop/{sensor}/t", reads="temperature"))
    rule.reads = "humidity"
    save_rule(rule)
    retire_rule(rule)
    assert load_rules() == []
    save_rule(TopicRule(topic="shop/{sensor}/t", reads="humidity"))


def test_a_rule_that_cannot_be_read_is_not_saved():
    with refuses("rule_sensor"):
        save_rule(TopicRule(topic="shop/t", reads="temperature"))
    assert not TopicRule.objects.exists()
