from rest_framework import serializers

from api.fields import Moment, Number, SpoolCode
from api.serializers.machines import VerdictSerializer
from api.serializers.reminders import ReminderSerializer
from api.serializers.statements import StatementSerializer


class RemainingSerializer(serializers.Serializer):
    """Filament on the spool, g: likely, and its bounds."""

    mass_g = Number()
    low_g = Number()
    high_g = Number()


class ReadyRowSerializer(serializers.Serializer):
    material = serializers.CharField()
    colour = serializers.CharField()
    spool = SpoolCode(read_only=True)
    toolhead = serializers.IntegerField(source="toolhead.pk")
    toolhead_name = serializers.CharField(source="toolhead.__str__")
    is_loaded = serializers.BooleanField(help_text="whether the spool is on that toolhead")
    verdict = VerdictSerializer()
    remaining = RemainingSerializer(source="board")


class LaterRowSerializer(serializers.Serializer):
    """A material on hold. Its toolhead and verdict are null in a shop without printers."""

    material = serializers.CharField()
    colour = serializers.CharField()
    spool = SpoolCode(read_only=True)
    toolhead = serializers.IntegerField(source="toolhead.pk", allow_null=True)
    verdict = VerdictSerializer(allow_null=True)
    advice = StatementSerializer(source="board.advice")
    ready_at = Moment(allow_null=True, help_text="when its drying is done; null where another hold stays")


class TodaySerializer(serializers.Serializer):
    ready = ReadyRowSerializer(many=True)
    later = LaterRowSerializer(many=True)
    due = ReminderSerializer(many=True)
    damp = serializers.IntegerField(
        help_text="opened spools that are too wet to print well and that nobody wants now"
    )
