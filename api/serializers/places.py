from rest_framework import serializers

from api.fields import ModelSerializer, Moment, Number, StrictSerializer
from spools.corrections import save_place
from spools.models import Place, Reading, Stay


class PlaceSerializer(ModelSerializer):
    class Meta:
        model = Place
        fields = [
            "id",
            "name",
            "kind",
            "assumed_temperature_c",
            "assumed_rh_pct",
            "room",
            "max_set_point_c",
            "set_point_error_c",
            "moved_air",
        ]

    def keep(self, row: Place) -> Place:
        return save_place(row)


class ClimateSerializer(serializers.Serializer):
    temperature_c = Number()
    rh_pct = Number()
    origin = serializers.CharField(help_text="reading, assumed or dryer")
    text = serializers.CharField()


class ReadingSerializer(ModelSerializer):
    class Meta:
        model = Reading
        fields = ["id", "at", "temperature_c", "rh_pct", "origin", "recorded_at"]


class ReadingInSerializer(StrictSerializer):
    at = Moment()
    temperature_c = Number()
    rh_pct = Number()


class ReadingsFileSerializer(serializers.Serializer):
    file = serializers.FileField(help_text="CSV with the columns time, temperature_c, rh_pct")


class ReadingsKeptSerializer(serializers.Serializer):
    added = serializers.IntegerField()
    already_there = serializers.IntegerField(help_text="times that had a reading, which stays as it was")


class StaySerializer(ModelSerializer):
    place_name = serializers.CharField(source="place.name", read_only=True)

    class Meta:
        model = Stay
        fields = ["id", "place", "place_name", "start", "end", "recorded_at"]
