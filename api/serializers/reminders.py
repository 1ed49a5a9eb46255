from typing import Any

from django.utils.translation import gettext as _
from rest_framework import serializers

from api.fields import Id, ModelSerializer, Moment, Number, SpoolCode, StrictSerializer, Text
from api.serializers.statements import StatementSerializer
from maintenance.models import Reminder, ReminderEvent


class ReminderSerializer(ModelSerializer):
    spool = SpoolCode(read_only=True, allow_null=True)
    title = serializers.CharField(read_only=True)
    reason = StatementSerializer(read_only=True)
    remedy = StatementSerializer(read_only=True)

    class Meta:
        model = Reminder
        fields = [
            "id",
            "kind",
            "condition",
            "title",
            "reason",
            "remedy",
            "spool",
            "part",
            "toolhead",
            "printer",
            "part_kind",
            "feedstock",
            "place",
            "opened_at",
            "due_at",
            "amount",
            "amount_unit",
            "amount_falls",
            "urgent_since",
            "snoozed_until",
            "snoozed_until_amount",
            "ended_at",
            "ending",
            "note",
        ]


class ReminderEventSerializer(ModelSerializer):
    by = serializers.CharField(
        source="by.username", default=None, allow_null=True, help_text="the person who did it; null: a sweep"
    )

    detail = StatementSerializer(
        read_only=True, allow_null=True, help_text="the end of a snooze, a note, or the amount"
    )

    class Meta:
        model = ReminderEvent
        fields = ["id", "type", "at", "detail", "by"]


class ReminderHistorySerializer(ReminderSerializer):
    events = ReminderEventSerializer(many=True, read_only=True)

    class Meta(ReminderSerializer.Meta):
        fields = [*ReminderSerializer.Meta.fields, "events"]


class SnoozeSerializer(StrictSerializer):
    until = Moment(required=False, default=None, help_text="this or an amount")
    amount = Number(required=False, default=None, help_text="in amount_unit: the threshold")


class SnoozeSeveralSerializer(StrictSerializer):
    """Reminders by their ids, or all that are due of a kind."""

    reminders = Id(queryset=Reminder.objects.all(), many=True, required=False)
    kind = serializers.ChoiceField(Reminder.Kind.choices, required=False)
    until = Moment()

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if ("reminders" in attrs) == ("kind" in attrs):
            raise serializers.ValidationError(_("Give either reminders or a kind."))
        return attrs


class SnoozedSerializer(serializers.Serializer):
    snoozed = serializers.IntegerField(help_text="how many")


class CompleteSerializer(StrictSerializer):
    note = Text(required=False, allow_blank=True, max_length=300, default="")
