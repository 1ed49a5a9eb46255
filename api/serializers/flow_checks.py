from typing import Any

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from api.fields import Id, ModelSerializer, Moment, Number, SpoolCode, StrictSerializer, Text
from api.serializers.facts import WITHDRAWAL, WithdrawableSerializer
from api.serializers.statements import StatementSerializer
from maintenance.flow.curve import MOST_RATES, MOST_REPEATS, RateMasses
from maintenance.flow.history import EvaluatedCheck
from maintenance.models import FlowBlob, FlowCheck, Toolhead


class FlowRateSerializer(serializers.Serializer):
    """One rate: mean mass, loss against the slow reference, its standard uncertainty; losses in %."""

    flow_mm3_s = Number()
    mass_g = Number()
    loss_pct = Number()
    loss_u_pct = Number()


class UsableFlowSerializer(serializers.Serializer):
    """The flow at which loss_pct is lost; low to high are 10 % and 90 %. null: not reached up to tested."""

    loss_pct = Number()
    tested_mm3_s = Number()
    low_mm3_s = Number(allow_null=True)
    likely_mm3_s = Number(allow_null=True)
    high_mm3_s = Number(allow_null=True)


class FlowResultSerializer(serializers.Serializer):
    rates = FlowRateSerializer(many=True)
    usable = UsableFlowSerializer(many=True)
    setting = StatementSerializer(help_text="the most that may be set for the filament")


class FlowBlobSerializer(ModelSerializer):
    class Meta:
        model = FlowBlob
        fields = ["flow_mm3_s", "repeat", "mass_g"]


class FlowCheckSerializer(WithdrawableSerializer):
    spool = SpoolCode(read_only=True)
    toolhead_name = serializers.CharField(source="toolhead.__str__", read_only=True)
    blobs = FlowBlobSerializer(many=True, read_only=True)
    result = serializers.SerializerMethodField()

    class Meta:
        model = FlowCheck
        fields = [
            "id",
            "toolhead",
            "toolhead_name",
            "spool",
            "at",
            "nozzle_c",
            "length_mm",
            "diameter_mm",
            "diameter_tolerance_mm",
            "resolution_g",
            "note",
            "blobs",
            "result",
            "recorded_at",
            *WITHDRAWAL,
        ]

    @extend_schema_field(FlowResultSerializer)
    def get_result(self, check: FlowCheck) -> Any:
        """Losses and usable flow."""
        return FlowResultSerializer(_result(self.context["seen"][check.pk])).data


def _result(evaluated: EvaluatedCheck) -> dict[str, Any]:
    curve = evaluated.curve
    return {
        "setting": evaluated.setting,
        "rates": [
            {"flow_mm3_s": flow, "mass_g": mass, "loss_pct": 100 * loss, "loss_u_pct": 100 * u}
            for flow, mass, loss, u in zip(
                curve.flows_mm3_s, curve.masses_g, curve.losses, curve.loss_u, strict=True
            )
        ],
        "usable": [
            {
                "loss_pct": 100 * usable.loss,
                "tested_mm3_s": usable.tested_mm3_s,
                "low_mm3_s": usable.low_mm3_s,
                "likely_mm3_s": usable.likely_mm3_s,
                "high_mm3_s": usable.high_mm3_s,
            }
            for usable in evaluated.usable()
        ],
    }


class RateMassesSerializer(StrictSerializer):
    """The blobs of one rate."""

    flow_mm3_s = Number()
    masses_g = serializers.ListField(child=Number(), min_length=1, max_length=MOST_REPEATS)

    def validate(self, attrs: dict[str, Any]) -> Any:
        return RateMasses(attrs["flow_mm3_s"], tuple(attrs["masses_g"]))


class RecordFlowCheckSerializer(StrictSerializer):
    toolhead = Id(queryset=Toolhead.objects.all())
    spool = SpoolCode(help_text="the spool that was loaded on that toolhead then")
    rates = RateMassesSerializer(
        many=True, max_length=MOST_RATES, help_text="rising, the slow reference first, each once"
    )
    nozzle_c = Number()
    length_mm = Number(help_text="filament commanded for each blob")
    resolution_g = Number(help_text="the scale's smallest step")
    diameter_mm = Number(required=False, help_text="measured; without it the feedstock's")
    diameter_tolerance_mm = Number(required=False)
    at = Moment(required=False)
    note = Text(required=False, max_length=300)
