from api.fields import ModelSerializer
from spools.air.mqtt.rules import save_rule
from spools.models import TopicRule


class TopicRuleSerializer(ModelSerializer):
    class Meta:
        model = TopicRule
        fields = ["id", "version", "topic", "sensor", "reads", "is_fahrenheit", "retired_at"]
        read_only_fields = ["retired_at"]

    def save_checked(self, row: TopicRule) -> TopicRule:
        return save_rule(row)
