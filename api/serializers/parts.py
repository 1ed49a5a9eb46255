from typing import Any

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from api.fields import ModelSerializer, Moment, Number, StrictSerializer, Whole
from api.serializers.machines import FittingSerializer
from maintenance.models import Fitting, Part, PartKind, StockEntry, Toolhead


class LifeLeftSerializer(serializers.Serializer):
    """Age and remaining life in ``unit``; what is left is a band."""

    age = Number()
    unit = serializers.CharField()
    median_left = Number()
    low_left = Number()
    high_left = Number()
    probability_used_up = Number()
    why = serializers.ListField(child=serializers.CharField())


class PartKindSerializer(ModelSerializer):
    in_stock = serializers.SerializerMethodField()

    class Meta:
        model = PartKind
        fields = [
            "id",
            "role",
            "name",
            "material",
            "hardness_hv",
            "bore_mm",
            "max_c",
            "life_unit",
            "life",
            "life_low",
            "life_high",
            "source",
            "how",
            "price",
            "reorder_point",
            "in_stock",
        ]

    def get_in_stock(self, kind: PartKind) -> int:
        return self.context["in_stock"].get(kind.pk, 0)


class PartSerializer(ModelSerializer):
    kind_name = serializers.CharField(source="kind.name", read_only=True)
    role = serializers.CharField(source="kind.role", read_only=True)
    fitting = serializers.SerializerMethodField()
    life_left = serializers.SerializerMethodField()

    class Meta:
        model = Part
        fields = ["id", "kind", "kind_name", "role", "created_at", "fitting", "life_left"]

    @extend_schema_field(FittingSerializer(allow_null=True))
    def get_fitting(self, part: Any) -> Any:
        """Where it is fitted now."""
        return next((FittingSerializer(fitting).data for fitting in part.present_fittings), None)

    @extend_schema_field(LifeLeftSerializer)
    def get_life_left(self, part: Part) -> Any:
        return LifeLeftSerializer(self.context["life_left"][part.pk]).data


class StockEntrySerializer(ModelSerializer):
    kind_name = serializers.CharField(source="kind.name", read_only=True)

    class Meta:
        model = StockEntry
        fields = ["id", "kind", "kind_name", "at", "change", "note", "recorded_at"]


class AddStockSerializer(StrictSerializer):
    kind = serializers.PrimaryKeyRelatedField(queryset=PartKind.objects.all())
    count = Whole(help_text="parts that came into the drawer; negative: counted out")
    at = Moment(required=False)
    note = serializers.CharField(required=False, max_length=200)


class FitSerializer(StrictSerializer):
    """A new part of ``kind`` from stock, or a ``part`` that was taken off sound."""

    toolhead = serializers.PrimaryKeyRelatedField(queryset=Toolhead.objects.all())
    kind = serializers.PrimaryKeyRelatedField(queryset=PartKind.objects.all(), required=False)
    part = serializers.PrimaryKeyRelatedField(queryset=Part.objects.all(), required=False)
    at = Moment(required=False)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if ("kind" in attrs) == ("part" in attrs):
            raise serializers.ValidationError("Give either a kind to take from stock or a part to refit.")
        return attrs


class ReplaceSerializer(StrictSerializer):
    toolhead = serializers.PrimaryKeyRelatedField(queryset=Toolhead.objects.all())
    role = serializers.ChoiceField(PartKind.Role.choices)
    kind = serializers.PrimaryKeyRelatedField(queryset=PartKind.objects.all())
    removal = serializers.ChoiceField(
        Fitting.Removal.choices, required=False, help_text="why the old one went; worn if not given"
    )
    at = Moment(required=False)


class RemoveSerializer(StrictSerializer):
    removal = serializers.ChoiceField(Fitting.Removal.choices)
    at = Moment(required=False)
