from typing import Any

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from api.fields import Id, ModelSerializer, Moment, Money, Number, StrictSerializer, Text
from api.serializers.drying import DryingRunSerializer
from api.serializers.facts import RECORDING, WITHDRAWAL, WithdrawableSerializer
from api.serializers.machines import LoadingSerializer, PlannedVerdictSerializer, ReservationSerializer
from api.serializers.places import MoveFactSerializer, StaySerializer
from api.serializers.statements import StatementSerializer
from spools import limits
from spools.facts import MAX_REASON_LENGTH
from spools.models import Ending, Feedstock, Joining, MassEntry, Opening, Place, Respooling, Spool


class AmountSerializer(serializers.Serializer):
    """Filament on the spool: likely, and its bounds."""

    mass_g = Number()
    low_g = Number()
    high_g = Number()
    why = StatementSerializer(many=True)


class BandSerializer(serializers.Serializer):
    """Lower bound, middle and upper bound: 10th, 50th and 90th percentile."""

    p10 = Number()
    p50 = Number()
    p90 = Number()

    def to_representation(self, instance: tuple[float, float, float]) -> dict[str, float]:
        return dict(zip(self.fields, map(float, instance), strict=True))


class ShellSerializer(serializers.Serializer):
    """One layer of the winding, between two radii."""

    inner_mm = Number()
    outer_mm = Number()
    p10_pct = Number()
    p50_pct = Number()
    p90_pct = Number()

    def to_representation(self, instance: tuple[float, ...]) -> dict[str, float]:
        return dict(zip(self.fields, map(float, instance), strict=True))


class OpenedSerializer(serializers.Serializer):
    """When the bag counts as opened, and by which fact."""

    at = Moment()
    by = serializers.ChoiceField(["received", "stated", "loaded", "dried", "taken"])


class MoistureSerializer(serializers.Serializer):
    at = Moment()
    mean_pct = BandSerializer(help_text="of the whole winding, % by mass")
    shells = ShellSerializer(many=True)
    opened = OpenedSerializer(
        source="history.opened", allow_null=True, help_text="of its bag; null while that counts as unopened"
    )
    exposure_hours = Number(help_text="hours outside dry storage since the last complete drying")
    heat_hours = Number(help_text="hours in dryers over the spool's life")
    why = StatementSerializer(many=True)


class LastsSerializer(serializers.Serializer):
    """How long a spool is good where it is; null: for longer than a forecast looks ahead."""

    prints_well_until = Moment(
        allow_null=True, help_text="from then on it may no longer print well; null: not within a year"
    )
    printable_until = Moment(
        allow_null=True, help_text="from then on it may be over its print limit; null: not within a year"
    )


class SpoolSerializer(ModelSerializer):
    feedstock_name = serializers.CharField(source="feedstock.__str__", read_only=True)
    polymer_name = serializers.CharField(source="feedstock.polymer.name", read_only=True)
    stay = serializers.SerializerMethodField()
    remaining = serializers.SerializerMethodField()

    class Meta:
        model = Spool
        fields = [
            "code",
            "feedstock",
            "feedstock_name",
            "polymer_name",
            "batch",
            "price",
            "core_mass_g",
            "core_mass_band_g",
            "core_mass_known",
            "core_material",
            "core_cap_c",
            "core_radius_mm",
            "width_mm",
            "sealed",
            "card",
            "received_at",
            "ended_at",
            "version",
            "stay",
            "remaining",
        ]

    @extend_schema_field(StaySerializer(allow_null=True))
    def get_stay(self, spool: Any) -> Any:
        """Where it is now; null once it is empty."""
        return next((StaySerializer(stay).data for stay in spool.present_stays), None)

    @extend_schema_field(AmountSerializer)
    def get_remaining(self, spool: Spool) -> Any:
        return AmountSerializer(self.context["remaining"][spool.pk]).data


class SpoolDetailSerializer(SpoolSerializer):
    loading = serializers.SerializerMethodField()
    reservations = ReservationSerializer(many=True, read_only=True)
    moisture = serializers.SerializerMethodField()
    verdicts = serializers.SerializerMethodField()
    lasts = serializers.SerializerMethodField()
    advice = serializers.SerializerMethodField()

    class Meta(SpoolSerializer.Meta):
        fields = [*SpoolSerializer.Meta.fields, "loading", "reservations", "moisture", "verdicts", "lasts"]
        fields += ["advice"]

    @extend_schema_field(LoadingSerializer(allow_null=True))
    def get_loading(self, spool: Any) -> Any:
        """The toolhead that it is on now."""
        return next((LoadingSerializer(loading).data for loading in spool.present_loadings), None)

    @extend_schema_field(MoistureSerializer)
    def get_moisture(self, spool: Spool) -> Any:
        return MoistureSerializer(self.context["moisture"]).data

    @extend_schema_field(LastsSerializer(allow_null=True))
    def get_lasts(self, spool: Spool) -> Any:
        """How long it is good in its place; null once it is empty."""
        row = self.context["board"]
        return None if row is None else LastsSerializer(row).data

    @extend_schema_field(StatementSerializer(allow_null=True))
    def get_advice(self, spool: Spool) -> Any:
        """How it is to be dried, or that it need not be; null once it is empty."""
        row = self.context["board"]
        return None if row is None else StatementSerializer(row.advice).data

    @extend_schema_field(PlannedVerdictSerializer(many=True))
    def get_verdicts(self, spool: Spool) -> Any:
        """The verdict on each toolhead in use, the best first: for the job that is planned there, else a small one."""
        return PlannedVerdictSerializer(self.context["verdicts"], many=True).data


class ReceiveSerializer(StrictSerializer):
    feedstock = Id(queryset=Feedstock.objects.select_related("polymer"))
    place = Id(queryset=Place.objects.all())
    at = Moment(required=False)
    net_mass_g = Number(
        required=False, help_text="filament by its label; give this or gross_g", **limits.NET_G.bounds
    )
    gross_g = Number(required=False, help_text="mass with the reel", **limits.GROSS_G.bounds)
    resolution_g = Number(required=False, help_text="the scale's smallest step", **limits.SCALE_STEP_G.bounds)
    core_mass_g = Number(
        required=False, help_text="the empty reel; GET /core-kinds has common ones", **limits.CORE_G.bounds
    )
    core_mass_band_g = Number(required=False, help_text="plus or minus", **limits.CORE_ERROR_G.bounds)
    core_mass_known = serializers.BooleanField(required=False, help_text="weighed or printed on the reel")
    core_material = serializers.ChoiceField(Spool.CoreMaterial.choices, required=False)
    core_cap_c = Number(
        required=False, help_text="the reel's own limit, where stated", **limits.CORE_CAP_C.bounds
    )
    core_radius_mm = Number(**limits.CORE_RADIUS_MM.bounds)
    width_mm = Number(**limits.WIDTH_MM.bounds)
    sealed = serializers.BooleanField(required=False, help_text="came in an unbroken bag")
    opened = serializers.BooleanField(required=False, help_text="the bag is opened as it comes")
    card = serializers.ChoiceField(
        Spool.Card.choices, required=False, help_text="the humidity indicator card in the bag"
    )
    batch = Text(required=False, allow_blank=True, max_length=60)
    price = Money(required=False, allow_null=True, help_text="paid for the spool, in the shop's currency")
    masses_confirmed = serializers.BooleanField(
        required=False,
        help_text="true: the masses are right, though a mass with the reel looks like one without",
    )


class ReceiveAlikeSerializer(ReceiveSerializer):
    count = serializers.IntegerField(help_text="spools that are all alike", **limits.ALIKE.bounds)


class ReceivedSerializer(serializers.Serializer):
    spools = SpoolSerializer(many=True)


class PriceSerializer(StrictSerializer):
    price = Money(allow_null=True, help_text="null: not known")


class ReelSerializer(StrictSerializer):
    batch = Text(required=False, allow_blank=True, max_length=60)
    core_mass_g = Number(required=False, help_text="the empty reel", **limits.CORE_G.bounds)
    core_mass_band_g = Number(required=False, help_text="plus or minus", **limits.CORE_ERROR_G.bounds)
    core_mass_known = serializers.BooleanField(required=False, help_text="weighed or printed on the reel")
    core_material = serializers.ChoiceField(Spool.CoreMaterial.choices, required=False)
    core_cap_c = Number(
        required=False,
        allow_null=True,
        help_text="the reel's own limit, where stated",
        **limits.CORE_CAP_C.bounds,
    )
    core_radius_mm = Number(required=False, **limits.CORE_RADIUS_MM.bounds)
    width_mm = Number(required=False, **limits.WIDTH_MM.bounds)


class MoveSerializer(StrictSerializer):
    place = Id(queryset=Place.objects.all())
    at = Moment(required=False)


class MoveFromSerializer(MoveSerializer):
    from_place = Id(
        queryset=Place.objects.all(),
        required=False,
        help_text="where it is; refused if it was moved meanwhile",
    )


class OpenSerializer(StrictSerializer):
    at = Moment(required=False)
    card = serializers.ChoiceField(
        Spool.Card.choices, required=False, help_text="the humidity indicator card as seen then"
    )


class ExcursionSerializer(StrictSerializer):
    place = Id(queryset=Place.objects.all())
    start = Moment()
    end = Moment(required=False, help_text="when it was back; without it: until its next move")


class CorrectMoveSerializer(StrictSerializer):
    place = Id(queryset=Place.objects.all())
    at = Moment()
    until = Moment(required=False, help_text="the end of a past stay")


class WeighSerializer(StrictSerializer):
    gross_g = Number(help_text="mass with the reel", **limits.GROSS_G.bounds)
    resolution_g = Number(required=False, help_text="the scale's smallest step", **limits.SCALE_STEP_G.bounds)
    at = Moment(required=False)
    note = Text(required=False, allow_blank=True, max_length=200)


class EndSerializer(StrictSerializer):
    kind = serializers.ChoiceField(Ending.Kind.choices, required=False, help_text="empty if left out")
    at = Moment(required=False)
    note = Text(required=False, allow_blank=True, max_length=200)


class EndingSerializer(WithdrawableSerializer):
    class Meta:
        model = Ending
        fields = [*["id", "kind", "at", "note"], *RECORDING, *WITHDRAWAL]


class MassEntrySerializer(WithdrawableSerializer):
    cause = StatementSerializer(allow_null=True, read_only=True)

    class Meta:
        model = MassEntry
        fields = [
            *["id", "kind", "at", "net_change_g", "gross_g", "resolution_g", "note", "cause"],
            *RECORDING,
            *WITHDRAWAL,
        ]


class OpeningSerializer(WithdrawableSerializer):
    cause = StatementSerializer(allow_null=True, read_only=True)

    class Meta:
        model = Opening
        fields = [*["id", "at", "card", "note", "cause"], *RECORDING, *WITHDRAWAL]


class RespoolSerializer(StrictSerializer):
    at = Moment(required=False)
    core_mass_g = Number(help_text="the new reel, empty", **limits.CORE_G.bounds)
    core_mass_band_g = Number(required=False, help_text="plus or minus", **limits.CORE_ERROR_G.bounds)
    core_mass_known = serializers.BooleanField(required=False, help_text="weighed or printed on the reel")
    core_material = serializers.ChoiceField(Spool.CoreMaterial.choices, required=False)
    core_cap_c = Number(required=False, allow_null=True, **limits.CORE_CAP_C.bounds)
    core_radius_mm = Number(**limits.CORE_RADIUS_MM.bounds)
    width_mm = Number(**limits.WIDTH_MM.bounds)
    note = Text(required=False, allow_blank=True, max_length=200)


class RespoolingSerializer(WithdrawableSerializer):
    class Meta:
        model = Respooling
        fields = [*["id", "at", "before", "note"], *RECORDING, *WITHDRAWAL]


class JoinSerializer(StrictSerializer):
    source = serializers.SlugRelatedField(
        "code",
        queryset=Spool.objects.all(),
        help_text="code of the spool whose filament was joined onto this one",
    )
    mass_g = Number(required=False, help_text="left out: all of it", **limits.TAKEN_G.bounds)
    at = Moment(required=False)
    note = Text(required=False, allow_blank=True, max_length=200)


class JoiningSerializer(WithdrawableSerializer):
    source = serializers.CharField(source="taken.spool.code", read_only=True)
    mass_g = Number(source="added.net_change_g", read_only=True)

    class Meta:
        model = Joining
        fields = [*["id", "at", "source", "mass_g", "note"], *RECORDING, *WITHDRAWAL]


class CorrectReceiptSerializer(StrictSerializer):
    feedstock = Id(queryset=Feedstock.objects.all(), required=False)
    net_mass_g = Number(
        required=False, allow_null=True, help_text="by its label; null: not stated", **limits.NET_G.bounds
    )
    gross_g = Number(
        required=False,
        allow_null=True,
        help_text="first weighing, with the reel; null: not weighed",
        **limits.GROSS_G.bounds,
    )
    reason = Text(max_length=MAX_REASON_LENGTH)


class CorrectWeighingSerializer(StrictSerializer):
    gross_g = Number(help_text="the right mass, with the reel", **limits.GROSS_G.bounds)
    resolution_g = Number(required=False, help_text="the scale's smallest step", **limits.SCALE_STEP_G.bounds)


class HistorySerializer(serializers.Serializer):
    """The facts about one spool, oldest first."""

    stays = StaySerializer(many=True, help_text="where it was, as it follows from its moves")
    moves = MoveFactSerializer(many=True)
    mass_entries = MassEntrySerializer(many=True)
    drying_runs = DryingRunSerializer(many=True)
    loadings = LoadingSerializer(many=True)
    openings = OpeningSerializer(many=True, help_text="of its bag, as somebody stated them")
    respoolings = RespoolingSerializer(many=True, help_text="onto another reel; before: the former one")
    endings = EndingSerializer(many=True, help_text="how it left the shop's use")
