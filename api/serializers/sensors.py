from typing import Any

from rest_framework import serializers

from api.fields import Id, ModelSerializer, Moment, Number, StrictSerializer, Text
from api.serializers.facts import WITHDRAWAL, WithdrawableSerializer
from spools.air.sensors.recording import Counts
from spools.models import HeldValue, Place, Sensor, SensorPlacement


class SenMLRecordSerializer(StrictSerializer):
    """A record of RFC 8428, in part: for the description of the interface."""

    bn = Text(required=False, help_text="base name")
    bt = Number(required=False, help_text="base time, s since 1970")
    bu = Text(required=False, help_text="base unit")
    n = Text(required=False, help_text="name; with the base name it is that of the sensor and its quantity")
    u = Text(required=False, help_text="Cel, K, %RH or %EL; values in other units are passed over")
    v = Number(required=False, help_text="value")
    t = Number(required=False, help_text="time, s since 1970, or before now")


class SetAsideSerializer(StrictSerializer):
    sensor = Text()
    quantity = Text()
    value = Number()
    at = Moment()
    reason = serializers.ChoiceField(HeldValue.Reason.choices)


class CountsSerializer(serializers.Serializer):
    """Each value that was sent is in one of the counts."""

    added = serializers.IntegerField(help_text="values in new readings")
    already_there = serializers.IntegerField(help_text="values that came before")
    batteries = serializers.IntegerField(help_text="values of batteries")
    waiting = serializers.IntegerField(help_text="values whose sensor has no place, or no partner")
    set_aside = serializers.IntegerField(help_text="values that cannot be")
    set_aside_values = SetAsideSerializer(many=True, help_text="the first of those that were set aside")

    def to_representation(self, counts: Counts) -> dict[str, Any]:
        first = [(*measurement, str(reason)) for measurement, reason in counts.set_aside_values[:10]]
        names = ("sensor", "quantity", "value", "at", "reason")
        rows = [dict(zip(names, row, strict=True)) for row in first]
        plain = {name: getattr(counts, name) for name in self.fields if name != "set_aside_values"}
        return plain | {"set_aside_values": SetAsideSerializer(rows, many=True).data}


class PlacementSerializer(WithdrawableSerializer):
    class Meta:
        model = SensorPlacement
        fields = [*["id", "sensor", "place", "start", "recorded_at"], *WITHDRAWAL]


class PlaceSensorSerializer(StrictSerializer):
    place = Id(queryset=Place.objects.all(), allow_null=True, help_text="null: for none from then on")
    start = Moment(required=False, help_text="empty: now")


class SensorSerializer(ModelSerializer):
    placements = PlacementSerializer(many=True, read_only=True)

    class Meta:
        model = Sensor
        fields = [
            *["id", "name", "added_at", "seen_at", "silent_since", "temperature_c", "temperature_at"],
            *["rh_pct", "rh_at", "battery_pct", "battery_at", "placements"],
        ]


class HeldValueSerializer(ModelSerializer):
    sensor_name = serializers.CharField(source="sensor.name", read_only=True)

    class Meta:
        model = HeldValue
        fields = ["id", "sensor", "sensor_name", "quantity", "value", "at", "reason", "left_out_at"]
