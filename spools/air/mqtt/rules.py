"""The rules of topics: added, changed and taken out of use by people, loaded by the listener."""

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext as _

from spools.air.mqtt.notation import Rule, parse_reads, parse_topic, require_sensor
from spools.edits.versions import count_edit
from spools.models import TopicRule
from spools.refusals import refusal

MOST_RULES = 200


@transaction.atomic
def save_rule(rule: TopicRule) -> TopicRule:
    """Save a new or a changed rule. The listener reads by it within seconds.

    Refused: a notation that nobody can read, the same rule twice, more rules than MOST_RULES.
    """
    rule.topic, rule.sensor, rule.reads = (
        rule.topic.strip(),
        rule.sensor.strip(),
        " ".join(rule.reads.split()),
    )
    require_sensor(parse_topic(rule.topic), parse_reads(rule.reads), rule.sensor)
    others = TopicRule.objects.in_use().exclude(pk=rule.pk)
    if others.filter(topic=rule.topic, reads=rule.reads).exists():
        raise refusal("rule_exists", _("This topic is read in this way already."), "topic")
    if rule.pk is None and others.count() >= MOST_RULES:
        raise refusal(
            "many_rules",
            _("There are {most} rules already: write one with {{sensor}} for several.").format(
                most=MOST_RULES
            ),
        )
    count_edit(rule)
    rule.save()
    return rule


@transaction.atomic
def retire_rule(rule: TopicRule) -> TopicRule:
    """Read its topics no more. It stays on record; a new rule may be like it."""
    if rule.retired_at is None:
        count_edit(rule)
        rule.retired_at = timezone.now()
        rule.save(update_fields=["retired_at"])
    return rule


@transaction.atomic
def bring_back_rule(rule: TopicRule) -> TopicRule:
    """Read its topics again. Refused: one that is like a rule in use."""
    rule.retired_at = None
    return save_rule(rule)


def load_rules() -> list[Rule]:
    """The rules in use, ready to read with."""
    return [
        Rule(parse_topic(row.topic), parse_reads(row.reads), row.sensor, row.is_fahrenheit)
        for row in TopicRule.objects.in_use()
    ]
