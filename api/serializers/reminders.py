from rest_framework import serializers

from api.fields import ModelSerializer, Moment, Number, SpoolCode, StrictSerializer, Text
from maintenance.models import Reminder, ReminderEvent


class ReminderSerializer(ModelSerializer):
    spool = SpoolCode(read_only=True, allow_null=True)

    class Meta:
        model = Reminder
        fields = [
            "id",
            "kind",
            "cause",
            "title",
            "why",
            "remedy",
            "spool",
            "part",
            "toolhead",
            "printer",
            "part_kind",
            "feedstock",
            "place",
            "raised_at",
            "due_at",
            "amount",
            "amount_unit",
            "amount_falls",
            "escalated_at",
            "snoozed_until",
            "snoozed_until_amount",
            "ended_at",
            "ending",
            "note",
        ]


class ReminderEventSerializer(ModelSerializer):
    by = serializers.CharField(source="by.username", default=None, help_text="who did it; null: nobody")

    class Meta:
        model = ReminderEvent
        fields = ["id", "what", "at", "said", "by"]


class ReminderHistorySerializer(ReminderSerializer):
    events = ReminderEventSerializer(many=True, read_only=True)

    class Meta(ReminderSerializer.Meta):
        fields = [*ReminderSerializer.Meta.fields, "events"]


class SnoozeSerializer(StrictSerializer):
    until = Moment(required=False, default=None, help_text="this or an amount")
    amount = Number(required=False, default=None, help_text="in amount_unit: when it has come to that")


class DoneSerializer(StrictSerializer):
    note = Text(required=False, allow_blank=True, max_length=300, default="")
