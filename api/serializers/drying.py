from typing import Any

from django.core.exceptions import ValidationError
from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from api.fields import Id, Moment, Number, SpoolCode, StrictSerializer, Text
from api.serializers.facts import RECORDING, WITHDRAWAL, WithdrawableSerializer
from api.serializers.places import PlaceSerializer
from api.serializers.statements import StatementSerializer
from spools import limits
from spools.drying.options import GOALS, BatchPlan
from spools.drying.runs import heat_caution
from spools.models import DryingRun, Place, Spool
from spools.statements import Statement

DRYERS = Place.objects.filter(kind=Place.Kind.DRYER)


class CapPartSerializer(serializers.Serializer):
    """One of the limits of which the cap is the lowest."""

    what = StatementSerializer()
    limit_c = Number()

    def to_representation(self, instance: tuple[Statement, float]) -> dict[str, Any]:
        part, limit_c = instance
        return {"what": StatementSerializer(part).data, "limit_c": limit_c}


class CapSerializer(serializers.Serializer):
    cap_c = Number()
    reason = StatementSerializer()
    start_c = Number(help_text="the most at the start: lower where water softens the polymer")
    start_reason = StatementSerializer()
    parts = CapPartSerializer(many=True)
    start_parts = CapPartSerializer(many=True, help_text="limits of the start only")


class StaysGoodSerializer(serializers.Serializer):
    """How long the dried spool is good in a place; null: longer than the forecast looks ahead."""

    place = PlaceSerializer()
    well_h = Number(
        allow_null=True, help_text="hours until it may no longer print well; null: a year and more"
    )
    printable_h = Number(
        allow_null=True, help_text="hours until it may be over the print limit; null: a year and more"
    )


class PlanRequestSerializer(StrictSerializer):
    dryer = Id(queryset=DRYERS)
    set_point_c = Number(
        required=False,
        help_text="without it: the best of a few, not above the cap",
        **limits.SET_POINT_C.bounds,
    )
    mass_g = Number(
        required=False, help_text="plan for the turns that a job of this mass uses", **limits.NEEDED_G.bounds
    )
    target_pct = Number(
        required=False, help_text="without it: the value of the goal", **limits.TARGET_PCT.bounds
    )
    goal = serializers.ChoiceField(
        choices=list(GOALS.items()), required=False, help_text="strong: the stricter limit for strong parts"
    )
    at = Moment(required=False)


class StageSerializer(serializers.Serializer):
    """A stretch of a drying run at one set point."""

    set_point_c = Number()
    hours = Number(allow_null=True, help_text="null: no time is enough")

    def to_representation(self, instance: tuple[float, float | None]) -> dict[str, Any]:
        set_point_c, hours = instance
        return {"set_point_c": set_point_c, "hours": hours}


class OptionSerializer(serializers.Serializer):
    """An option that was compared."""

    stages = StageSerializer(many=True)
    hours = Number(allow_null=True, help_text="of all stages; null: not enough")
    likely_h = Number(allow_null=True, help_text="hours that are enough with even chances")
    floor_pct = Number()
    run_share = Number(
        allow_null=True,
        help_text="of the heat of one run; null: no budget is published, or never enough",
    )
    recommended = serializers.BooleanField()
    why = StatementSerializer(allow_null=True)


class HeatSerializer(serializers.Serializer):
    """The heat that a spool had in dryers."""

    hours = Number()
    life_share = Number(
        allow_null=True, help_text="of the heat that it may have in its life; null: no budget is published"
    )
    caution = StatementSerializer(allow_null=True, help_text="from half of that on")


class BlockedStartSerializer(serializers.Serializer):
    """The refusal of a start."""

    code = serializers.CharField(help_text="stays the same, however the sentence is worded")
    sentence = serializers.CharField(help_text="for a person")

    def to_representation(self, instance: ValidationError) -> dict[str, str]:
        by_field = getattr(instance, "error_dict", {"": getattr(instance, "error_list", [])})
        reasons = [reason for reasons in by_field.values() for reason in reasons]
        return {"code": str(reasons[0].code), "sentence": " ".join(instance.messages)}


class PlanSerializer(serializers.Serializer):
    set_point_c = Number(help_text="of the last stage")
    stages = StageSerializer(many=True)
    cap = CapSerializer()
    target_pct = Number()
    floor_pct = Number(help_text="the driest that it gets in this room's air")
    reachable = serializers.BooleanField()
    reason = StatementSerializer()
    hours = Number(allow_null=True)
    likely_h = Number(
        allow_null=True, help_text="hours that are enough with even chances: the range begins there"
    )
    starts_at = Moment(source="slot.start", help_text="now, or when the dryer is free")
    ready_at = Moment(allow_null=True, help_text="null: it is drying already, or never dry enough")
    waits = StatementSerializer(many=True, help_text="runs in the dryer that end before")
    limited_by = StatementSerializer(help_text="the reason why it is not dry sooner")
    blocked = BlockedStartSerializer(allow_null=True, help_text="why it cannot start now")
    stays_good = StaysGoodSerializer(many=True)
    options = OptionSerializer(many=True, help_text="those compared, the recommended one first")
    heat = HeatSerializer(help_text="so far")
    life_share = Number(allow_null=True, help_text="after this plan")
    notes = StatementSerializer(many=True)
    mass_g = Number(
        allow_null=True, help_text="of the outermost turns, where these alone get dry; null: all of it"
    )


class BatchPlanRequestSerializer(StrictSerializer):
    spools = serializers.ListField(child=SpoolCode(), allow_empty=False, max_length=50)
    dryer = Id(queryset=DRYERS)
    set_point_c = Number(
        required=False,
        help_text="without it: the best of a few, not above the lowest cap",
        **limits.SET_POINT_C.bounds,
    )
    mass_g = Number(
        required=False, help_text="plan for the turns that jobs of this mass use", **limits.NEEDED_G.bounds
    )
    target_pct = Number(
        required=False, help_text="without it: the value of the goal", **limits.TARGET_PCT.bounds
    )
    goal = serializers.ChoiceField(choices=list(GOALS.items()), required=False)


class SpoolPlanSerializer(serializers.Serializer):
    spool = serializers.CharField()
    plan = PlanSerializer()


class DryEarlierSerializer(serializers.Serializer):
    """A spool that is dry before the last one."""

    spool = serializers.CharField()
    hours = Number()

    def to_representation(self, instance: tuple[Spool, float]) -> dict[str, Any]:
        spool, hours = instance
        return {"spool": spool.code, "hours": hours}


class BatchPlanSerializer(serializers.Serializer):
    """Spools that go into a dryer together."""

    stages = StageSerializer(many=True)
    hours = Number(allow_null=True, help_text="until all are dry; null: one never is")
    cap = CapSerializer(help_text="of the spool that sets it")
    limiting_spool = serializers.CharField(
        source="limiting_spool.code", help_text="the spool with the lowest cap"
    )
    without_limiting_c = Number(allow_null=True, help_text="the cap of the others without it, if higher")
    early = DryEarlierSerializer(many=True, help_text="spools that are dry before the last one")
    options = OptionSerializer(many=True)
    plans = serializers.SerializerMethodField()

    @extend_schema_field(SpoolPlanSerializer(many=True))
    def get_plans(self, batch: BatchPlan) -> list[dict[str, Any]]:
        return [{"spool": spool.code, "plan": PlanSerializer(plan).data} for spool, plan in batch.plans]


class DryingRunSerializer(WithdrawableSerializer):
    spool = SpoolCode(read_only=True)
    dryer_name = serializers.CharField(source="dryer.name", read_only=True)
    cap_reason = StatementSerializer(read_only=True, allow_null=True)
    before_g = Number(source="weighed_before.gross_g", allow_null=True, read_only=True)
    after_g = Number(source="weighed_after.gross_g", allow_null=True, read_only=True)
    heat_caution = serializers.SerializerMethodField(
        help_text="where the planned hours are too much heat for a polyamide"
    )

    hold = StatementSerializer(allow_null=True, read_only=True, help_text="why it does not get dry in it")

    class Meta:
        model = DryingRun
        fields = [
            "id",
            "spool",
            "dryer",
            "dryer_name",
            "first_set_point_c",
            "first_hours",
            "set_point_c",
            "start_cap_c",
            "cap_c",
            "cap_reason",
            "planned_hours",
            "target_pct",
            "mass_g",
            "start",
            "end",
            "before_g",
            "after_g",
            "heat_caution",
            "hold",
            "override_reason",
            "entered_late",
            *RECORDING,
            *WITHDRAWAL,
        ]

    @extend_schema_field(StatementSerializer(allow_null=True))
    def get_heat_caution(self, run: DryingRun) -> Any:
        caution = heat_caution(run)
        return None if caution is None else StatementSerializer(caution).data


class PastRunSerializer(StrictSerializer):
    spool = SpoolCode()
    dryer = Id(queryset=Place.objects.all())
    set_point_c = Number(**limits.SET_POINT_C.bounds)
    first_set_point_c = Number(
        required=False, help_text="of a cooler first stage", **limits.SET_POINT_C.bounds
    )
    first_hours = Number(required=False, **limits.RUN_HOURS.bounds)
    start = Moment()
    end = Moment()
    before_g = Number(required=False, help_text="mass before, with the reel", **limits.GROSS_G.bounds)
    after_g = Number(required=False, help_text="mass after, with the reel", **limits.GROSS_G.bounds)
    resolution_g = Number(required=False, help_text="the scale's smallest step", **limits.SCALE_STEP_G.bounds)


class CorrectRunSerializer(StrictSerializer):
    start = Moment()
    end = Moment(required=False, help_text="of a run that is over")


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
    caution = StatementSerializer(allow_null=True, help_text="why the loss is uncertain or impossible")


class SpoolToDrySerializer(StrictSerializer):
    spool = SpoolCode()
    gross_g = Number(required=False, help_text="mass before drying, with the reel", **limits.GROSS_G.bounds)


class StartDryingSerializer(StrictSerializer):
    spools = SpoolToDrySerializer(many=True, allow_empty=False, max_length=50)
    dryer = Id(queryset=DRYERS)
    set_point_c = Number(
        help_text="never above the lowest cap of the spools and the dryer", **limits.SET_POINT_C.bounds
    )
    first_set_point_c = Number(
        required=False, help_text="of a cooler first stage", **limits.SET_POINT_C.bounds
    )
    first_hours = Number(required=False, help_text="of the first stage", **limits.RUN_HOURS.bounds)
    planned_hours = Number(
        required=False,
        help_text="of all stages; without them those that each spool takes at this set point",
        **limits.RUN_HOURS.bounds,
    )
    override_reason = Text(
        required=False, max_length=300, help_text="why it starts though a spool does not get dry"
    )
    target_pct = Number(required=False, **limits.TARGET_PCT.bounds)
    mass_g = Number(
        required=False,
        help_text="of the outermost turns of each spool that are to get dry; without it all of it",
        **limits.NEEDED_G.bounds,
    )
    at = Moment(required=False)
    resolution_g = Number(required=False, help_text="the scale's smallest step", **limits.SCALE_STEP_G.bounds)


class FinishDryingSerializer(StrictSerializer):
    place = Id(queryset=Place.objects.all())
    at = Moment(required=False)
    gross_g = Number(required=False, help_text="mass after drying, with the reel", **limits.GROSS_G.bounds)
    resolution_g = Number(required=False, help_text="the scale's smallest step", **limits.SCALE_STEP_G.bounds)
