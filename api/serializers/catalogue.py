from typing import Any

from rest_framework import serializers

from api.fields import ModelSerializer, Moment, Number, StrictSerializer, Text
from api.serializers.facts import WITHDRAWAL, WithdrawableSerializer
from api.serializers.spools import BandSerializer
from spools.inventory.assumptions import save_feedstock
from spools.models import CoreKind, CouponTest, Feedstock, Filler, Maker, Polymer, Source


class MakerSerializer(ModelSerializer):
    class Meta:
        model = Maker
        fields = ["id", "version", "name", "note"]


class FillerSerializer(ModelSerializer):
    class Meta:
        model = Filler
        fields = "__all__"


class CoreKindSerializer(ModelSerializer):
    class Meta:
        model = CoreKind
        fields = "__all__"


class SourceSerializer(ModelSerializer):
    class Meta:
        model = Source
        exclude = ["polymer"]


class PolymerSerializer(ModelSerializer):
    class Meta:
        model = Polymer
        fields = "__all__"


class PolymerWithSourcesSerializer(PolymerSerializer):
    sources = SourceSerializer(many=True, read_only=True)


class FeedstockSerializer(ModelSerializer):
    maker_name = Text(source="maker.name", max_length=80, help_text="a new name adds the maker")
    polymer_name = serializers.CharField(source="polymer.name", read_only=True)
    filler_name = serializers.CharField(source="filler.name", read_only=True, allow_null=True)

    class Meta:
        model = Feedstock
        fields = [
            "id",
            "version",
            "maker",
            "maker_name",
            "polymer",
            "polymer_name",
            "name",
            "colour",
            "diameter_mm",
            "filler",
            "filler_name",
            "filler_mass_fraction",
            "reorder_point_g",
            "data_sheet",
            "retired_at",
            *Feedstock.OVERRIDES,
        ]
        # The model's own constraint says it in better words.
        validators: list = []
        read_only_fields = ["maker", "retired_at"]

    def create(self, validated_data: dict[str, Any]) -> Feedstock:
        maker_name = validated_data.pop("maker")["name"]
        return save_feedstock(Feedstock(**validated_data), maker_name)

    def update(self, instance: Feedstock, validated_data: dict[str, Any]) -> Feedstock:
        maker_name = validated_data.pop("maker", {"name": instance.maker.name})["name"]
        for name, value in validated_data.items():
            setattr(instance, name, value)
        return save_feedstock(instance, maker_name)


class PropertySerializer(serializers.Serializer):
    """One number of a feedstock with its source."""

    name = serializers.CharField()
    value = Number()
    unit = serializers.CharField()
    low = Number()
    high = Number()
    origin = serializers.CharField(help_text="data sheet or catalogue")
    grade = serializers.CharField(help_text="how well it is known, A (best) to D, or empty")
    basis = serializers.CharField()


class FeedstockKnowledgeSerializer(serializers.Serializer):
    """The numbers that a sealed spool of a feedstock starts with when it is received now."""

    spools = serializers.IntegerField(
        help_text="weighed spools of this feedstock that taught it; 0: the numbers are those of the catalogue"
    )
    w50_pct = BandSerializer(help_text="uptake in balance with 50 % RH, % by mass")
    d23_m2_s = BandSerializer(help_text="diffusivity of water at 23 °C, m²/s")
    start_rh_pct = BandSerializer(help_text="humidity that it arrives in equilibrium with, % RH")


class CouponTestSerializer(WithdrawableSerializer):
    class Meta:
        model = CouponTest
        fields = ["id", "temperature_c", "passed", "at", "recorded_at", *WITHDRAWAL]


class RecordCouponTestSerializer(StrictSerializer):
    temperature_c = Number(help_text="at which a 10 cm loop with touching turns was for an hour")
    passed = serializers.BooleanField(help_text="its turns parted freely and showed no flats")
    at = Moment(required=False)
