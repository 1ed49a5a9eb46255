from rest_framework import serializers

from api.fields import Moment, Number, SpoolCode
from api.serializers.machines import VerdictSerializer
from api.serializers.reminders import ReminderSerializer
from api.serializers.spools import AmountSerializer


class ReadyRowSerializer(serializers.Serializer):
    material = serializers.CharField()
    spool = SpoolCode(read_only=True)
    toolhead = serializers.IntegerField(source="toolhead.pk")
    toolhead_name = serializers.CharField(source="toolhead.__str__")
    verdict = VerdictSerializer()
    remaining = AmountSerializer(source="amount")


class LaterRowSerializer(serializers.Serializer):
    material = serializers.CharField()
    spool = SpoolCode(read_only=True)
    dryer = serializers.IntegerField(source="dryer.pk", allow_null=True)
    set_point_c = Number(source="plan.set_point_c", allow_null=True)
    hours = Number(source="plan.hours", allow_null=True, help_text="of drying, if it started now")
    ready_at = Moment(allow_null=True)
    reason = serializers.CharField()


class TodaySerializer(serializers.Serializer):
    ready = ReadyRowSerializer(many=True)
    later = LaterRowSerializer(many=True)
    due = ReminderSerializer(many=True)
