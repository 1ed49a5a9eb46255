from rest_framework import serializers

from api.fields import ModelSerializer, StrictSerializer, Text
from spools.facts import MAX_REASON_LENGTH

# When and by whom a fact was recorded.
RECORDING = ["recorded_at", "recorded_by"]
# When, by whom and why a fact was withdrawn; empty while it counts.
WITHDRAWAL = ["withdrawn_at", "withdrawn_by", "withdrawn_reason"]


# The base of facts that can be withdrawn.
class WithdrawableSerializer(ModelSerializer):
    recorded_by = serializers.SlugRelatedField("username", read_only=True, allow_null=True)
    withdrawn_by = serializers.SlugRelatedField("username", read_only=True, allow_null=True)


class WithdrawSerializer(StrictSerializer):
    reason = Text(max_length=MAX_REASON_LENGTH, help_text="the reason for withdrawing it")
