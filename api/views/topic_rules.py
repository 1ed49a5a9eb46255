from api.serializers.topic_rules import TopicRuleSerializer
from api.views.base import RecordViewSet, RetireMixin
from spools.air.mqtt.rules import bring_back_rule, retire_rule
from spools.models import TopicRule


class TopicRules(RetireMixin, RecordViewSet):
    """Topics of the broker (MQTT) that are measurements of sensors. Changes take effect within seconds."""

    retire_row, bring_back_row = staticmethod(retire_rule), staticmethod(bring_back_rule)

    queryset = TopicRule.objects.all()
    serializer_class = TopicRuleSerializer
    filterset_fields = ["topic"]
