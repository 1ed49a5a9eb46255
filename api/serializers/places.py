from rest_framework import serializers

from api.fields import ModelSerializer, Moment, Number, StrictSerializer, Text
from api.serializers.facts import RECORDING, WITHDRAWAL, WithdrawableSerializer
from api.serializers.statements import StatementSerializer
from spools.air.salt_checks import off_rh_pct, true_rh_pct
from spools.facts import MAX_REASON_LENGTH
from spools.inventory.assumptions import save_place
from spools.models import DesiccantCharge, Move, Place, Reading, ReadingWithdrawal, SaltCheck, Stay


class PlaceSerializer(ModelSerializer):
    class Meta:
        model = Place
        fields = [
            "id",
            "version",
            "name",
            "kind",
            "assumed_temperature_c",
            "assumed_rh_pct",
            "room",
            "max_set_point_c",
            "set_point_error_c",
            "spool_capacity",
            "air_exchange",
            "air_flow_l_min",
            "desiccant_dew_point_c",
            "moved_air",
            "feeds",
            "volume_l",
            "half_time_h",
            "limit_rh_pct",
            "film",
            "sachet_g",
            "retired_at",
        ]
        read_only_fields = ["retired_at"]

    def save_checked(self, row: Place) -> Place:
        return save_place(row)


class ClimateSerializer(serializers.Serializer):
    temperature_c = Number()
    rh_pct = Number()
    origin = serializers.CharField(help_text="reading, computed, assumed or dryer")
    source = StatementSerializer(help_text="how it is known")


class ChargeSerializer(WithdrawableSerializer):
    class Meta:
        model = DesiccantCharge
        fields = [
            *["id", "kind", "dry_mass_g", "condition", "regenerated_c", "at", "note", "recorded_at"],
            *WITHDRAWAL,
        ]


class AddChargeSerializer(StrictSerializer):
    kind = serializers.ChoiceField(DesiccantCharge.Kind)
    dry_mass_g = Number(help_text="0: the desiccant was taken out")
    condition = serializers.ChoiceField(DesiccantCharge.Condition)
    regenerated_c = Number(required=False, allow_null=True, default=None)
    at = Moment(required=False, allow_null=True, default=None, help_text="empty: now")
    note = Text(required=False, allow_blank=True, max_length=200, default="")


class DaysSerializer(serializers.Serializer):
    soonest = Number(allow_null=True)
    likely = Number(allow_null=True)
    latest = Number(allow_null=True)


class RegenerationSerializer(serializers.Serializer):
    celsius = Number()
    left_pct = Number(help_text="water that stays in the desiccant")
    days = Number(allow_null=True, help_text="then, until the limit; null: not within two years")


class BoxSerializer(serializers.Serializer):
    at = Moment()
    charge = ChargeSerializer()
    waiting = ChargeSerializer(
        allow_null=True, help_text="put in since; the numbers count it from the next full hour on"
    )
    temperature_c = Number()
    room_rh_pct = Number()
    rh_pct = Number(help_text="measured, or else computed")
    computed_rh_pct = Number()
    measured_rh_pct = Number(allow_null=True)
    held_g = Number(help_text="water in the desiccant")
    limit_g = Number(help_text="water in it at the humidity limit")
    air_changes_day = Number()
    openings_day = Number()
    half_time_d = Number(help_text="hygrometric half-time with the desiccant")
    needed_g = Number(allow_null=True, help_text="dry desiccant for a year; null: no amount would do")
    over_limit = serializers.BooleanField()
    days = DaysSerializer(help_text="until the limit; null: not within two years")
    regenerated = RegenerationSerializer(many=True)
    findings = StatementSerializer(many=True, help_text="the hygrometer and the model disagree")


class SaltCheckSerializer(WithdrawableSerializer):
    true_rh_pct = serializers.SerializerMethodField(help_text="in the bag")
    off_rh_pct = serializers.SerializerMethodField(help_text="how far the hygrometer read too high")

    class Meta:
        model = SaltCheck
        fields = [
            *["id", "at", "hours", "temperature_c", "rh_pct", "true_rh_pct", "off_rh_pct", "recorded_at"],
            *WITHDRAWAL,
        ]

    def get_true_rh_pct(self, check: SaltCheck) -> float:
        return true_rh_pct(check)

    def get_off_rh_pct(self, check: SaltCheck) -> float:
        return off_rh_pct(check)


class AddSaltCheckSerializer(StrictSerializer):
    rh_pct = Number(help_text="as the hygrometer read beside wet table salt")
    temperature_c = Number(help_text="there")
    hours = Number(required=False, allow_null=True, default=None, help_text="in the bag; empty: 12")
    at = Moment(required=False, allow_null=True, default=None, help_text="when it was read; empty: now")


class ReadingSerializer(ModelSerializer):
    class Meta:
        model = Reading
        fields = [*["id", "at", "temperature_c", "rh_pct", "origin"], *RECORDING]

    recorded_by = serializers.SlugRelatedField("username", read_only=True, allow_null=True)


class CorrectReadingSerializer(StrictSerializer):
    temperature_c = Number()
    rh_pct = Number()


class ReadingWithdrawalSerializer(WithdrawableSerializer):
    """A span of readings that do not count. Withdraw it to admit them again."""

    class Meta:
        model = ReadingWithdrawal
        fields = [*["id", "start", "end", "reason"], *RECORDING, *WITHDRAWAL]


class WithdrawReadingsSerializer(StrictSerializer):
    start = Moment(help_text="of the first reading")
    end = Moment(help_text="of the last one; the same as start for one reading")
    reason = Text(max_length=MAX_REASON_LENGTH)


class AddReadingSerializer(StrictSerializer):
    at = Moment()
    temperature_c = Number()
    rh_pct = Number()


class ReadingsFileSerializer(serializers.Serializer):
    file = serializers.FileField(help_text="CSV with the columns time, temperature_c, rh_pct")


class ReadingCountsSerializer(serializers.Serializer):
    added = serializers.IntegerField()
    already_there = serializers.IntegerField(help_text="times that had a reading, which stays as it was")


class StaySerializer(ModelSerializer):
    place_name = serializers.CharField(source="place.name", read_only=True)

    class Meta:
        model = Stay
        fields = ["place", "place_name", "start", "end", "move"]


class MoveFactSerializer(WithdrawableSerializer):
    place_name = serializers.CharField(source="place.name", read_only=True)

    class Meta:
        model = Move
        fields = [*["id", "place", "place_name", "at", "until"], *RECORDING, *WITHDRAWAL]
