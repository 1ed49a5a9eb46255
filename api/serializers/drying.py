from typing import Any

from rest_framework import serializers

from api.fields import ModelSerializer, Moment, Number, SpoolCode, StrictSerializer
from api.serializers.places import PlaceSerializer
from spools.models import DryingRun, Place

DRYERS = Place.objects.filter(kind=Place.Kind.DRYER)


class CapPartSerializer(serializers.Serializer):
    """One of the limits that the cap is the lowest of."""

    what = serializers.CharField()
    limit_c = Number()

    def to_representation(self, instance: tuple[str, float]) -> dict[str, Any]:
        what, limit_c = instance
        return {"what": what, "limit_c": limit_c}


class CapSerializer(serializers.Serializer):
    cap_c = Number()
    reason = serializers.CharField()
    parts = CapPartSerializer(many=True)


class StaysGoodSerializer(serializers.Serializer):
    """How long the dried spool stays below its print limit in a place."""

    place = PlaceSerializer()
    hours = Number(allow_null=True, help_text="null: longer than the forecast looks ahead")

    def to_representation(self, instance: tuple[Place, float | None]) -> dict[str, Any]:
        place, hours = instance
        return {"place": PlaceSerializer(place).data, "hours": hours}


class PlanAskedSerializer(StrictSerializer):
    dryer = serializers.PrimaryKeyRelatedField(queryset=DRYERS)
    set_point_c = Number(required=False, help_text="without it: the usual one, not above the cap")
    mass_g = Number(required=False, help_text="plan for the turns that a job of this mass uses")
    target_pct = Number(required=False, help_text="without it: the moisture that prints well")
    at = Moment(required=False)


class PlanSerializer(serializers.Serializer):
    set_point_c = Number()
    cap = CapSerializer()
    target_pct = Number()
    floor_pct = Number(help_text="what it can be dried to in this room's air")
    reachable = serializers.BooleanField()
    reason = serializers.CharField(allow_blank=True)
    hours = Number(allow_null=True)
    ready_at = Moment(allow_null=True)
    stays_good = StaysGoodSerializer(many=True)


class DryingRunSerializer(ModelSerializer):
    spool = SpoolCode(read_only=True)
    dryer_name = serializers.CharField(source="dryer.name", read_only=True)
    before_g = Number(source="before.gross_g", allow_null=True, read_only=True)
    after_g = Number(source="after.gross_g", allow_null=True, read_only=True)

    class Meta:
        model = DryingRun
        fields = [
            "id",
            "spool",
            "dryer",
            "dryer_name",
            "set_point_c",
            "cap_c",
            "cap_reason",
            "planned_hours",
            "target_pct",
            "start",
            "end",
            "before_g",
            "after_g",
            "recorded_at",
        ]


class LossSerializer(serializers.Serializer):
    """Loss on drying: mass before less mass after."""

    loss_g = Number()
    loss_pct = Number()
    uncertainty_g = Number()

    def to_representation(self, instance: tuple[float, float, float]) -> dict[str, Any]:
        return dict(zip(self.fields, instance, strict=True))


class FinishedRunSerializer(serializers.Serializer):
    run = DryingRunSerializer()
    loss = LossSerializer(allow_null=True, help_text="null without both weighings")


class SpoolToDrySerializer(StrictSerializer):
    spool = SpoolCode()
    gross_g = Number(required=False, help_text="weighed before, reel and all")


class StartDryingSerializer(StrictSerializer):
    spools = SpoolToDrySerializer(many=True, allow_empty=False, max_length=50)
    dryer = serializers.PrimaryKeyRelatedField(queryset=DRYERS)
    set_point_c = Number(help_text="never above the lowest cap of the spools and the dryer")
    planned_hours = Number(required=False)
    target_pct = Number(required=False)
    at = Moment(required=False)
    resolution_g = Number(required=False, help_text="the scale's smallest step")


class FinishDryingSerializer(StrictSerializer):
    place = serializers.PrimaryKeyRelatedField(queryset=Place.objects.all())
    at = Moment(required=False)
    gross_g = Number(required=False, help_text="weighed after, reel and all")
    resolution_g = Number(required=False, help_text="the scale's smallest step")
