from typing import Any

from django.utils.translation import gettext as _
from rest_framework import serializers

from api.fields import Id, ModelSerializer, Moment, Number, SpoolCode, StrictSerializer, Text, TimeOfDay
from api.serializers.drying import DRYERS
from api.serializers.facts import WITHDRAWAL, WithdrawableSerializer
from api.serializers.statements import StatementSerializer
from spools.drying.week.plans import DEFAULT_HOURS
from spools.models import Feedstock, PlannedDrying, Polymer, PrintRequest
from spools.refusals import refusal


class PrintRequestSerializer(WithdrawableSerializer):
    spool = SpoolCode(read_only=True, allow_null=True)

    class Meta:
        model = PrintRequest
        fields = [
            *["id", "name", "spool", "feedstock", "polymer", "mass_g", "due_at", "urgent"],
            *["recorded_at", *WITHDRAWAL],
        ]


class AddPrintRequestSerializer(StrictSerializer):
    """One of spool, feedstock and polymer: this very spool, or any of it with enough filament."""

    spool = SpoolCode(required=False)
    feedstock = Id(queryset=Feedstock.objects.all(), required=False)
    polymer = Id(queryset=Polymer.objects.all(), required=False)
    mass_g = Number()
    due_at = Moment(help_text="when it is to be good, within a week")
    name = Text(required=False, allow_blank=True, max_length=80)
    urgent = serializers.BooleanField(required=False, help_text="its lateness counts four times")

    def validate(self, data: dict[str, Any]) -> dict[str, Any]:
        materials = [data.pop(name) for name in ("spool", "feedstock", "polymer") if name in data]
        if len(materials) != 1:
            raise refusal("one_material", _("Give one of spool, feedstock and polymer."))
        return data | {"material": materials[0]}


class StaffedHoursSerializer(StrictSerializer):
    """When somebody is there to put spools in and take them out, in the shop's zone."""

    staffed_from = TimeOfDay(default=DEFAULT_HOURS.opens)
    staffed_to = TimeOfDay(default=DEFAULT_HOURS.closes)


class PlannedDryingSerializer(ModelSerializer):
    spool = SpoolCode(read_only=True)
    dryer_name = serializers.CharField(source="dryer.name", read_only=True)
    hours = Number(read_only=True)

    class Meta:
        model = PlannedDrying
        fields = [
            *["id", "spool", "dryer", "dryer_name", "first_set_point_c", "first_hours", "set_point_c"],
            *["start", "end", "hours", "mass_g", "target_pct", "pinned", "run"],
        ]


class PlannedPrintSerializer(serializers.Serializer):
    """A print request in a plan: its spool, and whether it is good in time."""

    request = serializers.IntegerField(source="planned.request_id")
    spool = SpoolCode(source="planned.spool", read_only=True, allow_null=True)
    state = serializers.ChoiceField(["in time", "in doubt", "late", "missing"])
    good_at = Moment(allow_null=True, help_text="null: good without drying, or missing")
    late_h = Number()
    reasons = StatementSerializer(many=True, help_text="why it is late, missing or in doubt")


class ViolationSerializer(serializers.Serializer):
    """Why a drying or a print of a plan no longer holds."""

    drying = serializers.IntegerField(source="drying.pk", default=None, allow_null=True)
    request = serializers.IntegerField(source="request.pk", default=None, allow_null=True)
    reason = StatementSerializer()


class WeekPlanSerializer(serializers.Serializer):
    """A plan with its dryings, its prints and its violations."""

    id = serializers.IntegerField(source="plan.pk")
    asked_at = Moment(source="plan.asked_at")
    made_at = Moment(source="plan.made_at", allow_null=True, help_text="null: it is being computed")
    accepted_at = Moment(source="plan.accepted_at", allow_null=True)
    ended_at = Moment(source="plan.ended_at", allow_null=True)
    staffed_from = TimeOfDay(source="plan.staffed_from")
    staffed_to = TimeOfDay(source="plan.staffed_to")
    notes = StatementSerializer(many=True, source="plan.notes")
    dryings = PlannedDryingSerializer(many=True)
    prints = PlannedPrintSerializer(many=True)
    violations = ViolationSerializer(many=True)


class MoveDryingSerializer(StrictSerializer):
    dryer = Id(queryset=DRYERS)
    start = Moment()
    set_point_c = Number(required=False, help_text="without it: as it was planned")


class MoveResultSerializer(serializers.Serializer):
    drying = PlannedDryingSerializer()
    consequences = StatementSerializer(many=True, help_text="violations and late prints that come of it")


class PinSerializer(StrictSerializer):
    pinned = serializers.BooleanField()
