from rest_framework import serializers

from api.fields import ModelSerializer, Moment, SpoolCode, StrictSerializer
from maintenance.models import Reminder


class ReminderSerializer(ModelSerializer):
    spool = SpoolCode(read_only=True, allow_null=True)

    class Meta:
        model = Reminder
        fields = [
            "id",
            "kind",
            "title",
            "why",
            "way_out",
            "spool",
            "part",
            "toolhead",
            "printer",
            "part_kind",
            "feedstock",
            "place",
            "raised_at",
            "due_at",
            "snoozed_until",
            "ended_at",
            "ending",
            "note",
        ]


class SnoozeSerializer(StrictSerializer):
    until = Moment()


class DoneSerializer(StrictSerializer):
    note = serializers.CharField(required=False, allow_blank=True, max_length=300, default="")
