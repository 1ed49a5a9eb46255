from typing import Any

from django.utils.translation import gettext as _
from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from api.fields import Id, ModelSerializer, Moment, Number, StrictSerializer, Text, Whole
from api.serializers.facts import WITHDRAWAL, WithdrawableSerializer
from api.serializers.machines import FittingSerializer
from api.serializers.statements import StatementSerializer
from maintenance.models import (
    BoreReading,
    Fitting,
    Part,
    PartKind,
    Printer,
    PriorUse,
    StockEntry,
    Toolhead,
)
from maintenance.models.parts import IN_NO_MACHINE
from maintenance.parts.stock import save_kind
from spools.facts import MAX_REASON_LENGTH


class RemainingLifeSerializer(serializers.Serializer):
    """Age and remaining life in ``unit``, as a range."""

    age = Number()
    unit = serializers.CharField()
    median_left = Number()
    low_left = Number()
    high_left = Number()
    probability_used_up = Number()
    used_up_at = Moment(allow_null=True, help_text="when the median life ends at the present rate of use")
    early_at = Moment(allow_null=True, help_text="when the life of a short-lived one ends at that rate")
    why = StatementSerializer(many=True)


class OwnPartsSerializer(serializers.Serializer):
    worn = Whole()
    removed = Whole(help_text="before they were worn")
    in_use = Whole()


class LearntLifeSerializer(serializers.Serializer):
    """Lives to be expected in the kind's unit, from what is stated and from this shop's own parts."""

    median = Number()
    low = Number(help_text="one in ten is used up by then")
    high = Number(help_text="nine in ten are used up by then")
    typical_low = Number(help_text="the 10 % limit of the kind's median life")
    typical_high = Number(help_text="the 90 % limit of the kind's median life")
    own_parts = OwnPartsSerializer(help_text="number of this shop's own parts that it is learnt from")


class RunOutSerializer(serializers.Serializer):
    """Likely time, and those of 10 % and 90 %."""

    at = Moment()
    early_at = Moment()
    late_at = Moment()
    a_month = Number(help_text="used in 30 days")
    why = StatementSerializer(source="statement")


class PartKindSerializer(ModelSerializer):
    in_stock = serializers.SerializerMethodField()
    runs_out = serializers.SerializerMethodField()
    learnt = serializers.SerializerMethodField()

    class Meta:
        model = PartKind
        fields = [
            "id",
            "version",
            "role",
            "name",
            "material",
            "hardness_hv",
            "bore_mm",
            "max_c",
            "heat_reference_c",
            "worn_growth_pct",
            "life_unit",
            "life",
            "life_low",
            "life_high",
            "source",
            "how",
            "price",
            "stock_unit",
            "reorder_point",
            "in_stock",
            "runs_out",
            "learnt",
        ]

    def save_checked(self, row: PartKind) -> PartKind:
        return save_kind(row)

    @extend_schema_field(LearntLifeSerializer(allow_null=True))
    def get_learnt(self, kind: PartKind) -> Any:
        """The life learnt from this shop's own parts; null of a consumable."""
        if kind.role in IN_NO_MACHINE:
            return None
        lives = self.context["known"](kind)
        expected = lives.expected()
        return {
            "median": expected.median,
            "low": expected.low,
            "high": expected.high,
            "typical_low": expected.typical[0],
            "typical_high": expected.typical[2],
            "own_parts": lives.count_records(),
        }

    @extend_schema_field(RunOutSerializer(allow_null=True))
    def get_runs_out(self, kind: PartKind) -> Any:
        """When the stock of a consumable runs out at the present use; null of a part, or where none is used."""
        if kind.role not in IN_NO_MACHINE:
            return None
        run_out = self.context["run_outs"]().get(kind.pk)
        return None if run_out is None else RunOutSerializer(run_out).data

    def get_in_stock(self, kind: PartKind) -> float:
        """In pieces, or in the stock_unit of a consumable."""
        return self.context["in_stock"].get(kind.pk, 0)


class ExpectedBoreSerializer(serializers.Serializer):
    """Ranges are low, likely, high (10 %, 50 %, 90 %)."""

    new_mm = Number()
    look_mm = Number()
    worn_mm = Number()
    now_mm = serializers.ListField(child=Number())
    kappa_um_km = serializers.ListField(child=Number(), help_text="depth worn off its wall per km of filler")


class PartSerializer(ModelSerializer):
    kind_name = serializers.CharField(source="kind.name", read_only=True)
    role = serializers.CharField(source="kind.role", read_only=True)
    fitting = serializers.SerializerMethodField()
    life_left = serializers.SerializerMethodField()
    bore = serializers.SerializerMethodField()

    class Meta:
        model = Part
        fields = ["id", "kind", "kind_name", "role", "created_at", "fitting", "life_left", "bore"]

    @extend_schema_field(FittingSerializer(allow_null=True))
    def get_fitting(self, part: Any) -> Any:
        """Where it is fitted now."""
        return next((FittingSerializer(fitting).data for fitting in part.present_fittings), None)

    @extend_schema_field(RemainingLifeSerializer)
    def get_life_left(self, part: Part) -> Any:
        return RemainingLifeSerializer(self.context["aged"][part.pk].life_left()).data

    @extend_schema_field(ExpectedBoreSerializer(allow_null=True))
    def get_bore(self, part: Part) -> Any:
        """A nozzle's bore to be expected now."""
        bore = self.context["aged"][part.pk].bore()
        return None if bore is None else ExpectedBoreSerializer(bore).data


class BoreReadingSerializer(WithdrawableSerializer):
    class Meta:
        model = BoreReading
        fields = [
            "id",
            "part",
            "at",
            "bore_mm",
            "error_mm",
            "method",
            "note",
            *WITHDRAWAL,
            "recorded_at",
        ]


class RecordBoreSerializer(StrictSerializer):
    part = Id(queryset=Part.objects.all())
    bore_mm = Number()
    error_mm = Number(help_text="standard error of the reading")
    method = serializers.ChoiceField(BoreReading.Method.choices)
    at = Moment(required=False)
    note = Text(required=False, max_length=200)


class PriorUseSerializer(WithdrawableSerializer):
    class Meta:
        model = PriorUse
        fields = ["id", "part", "amount", "unit", "note", *WITHDRAWAL, "recorded_at"]


PRIOR_UNIT_HELP = "the unit of its kind's life, kg of unfilled filament, months on a printer, or unknown"


class RecordPriorUseSerializer(StrictSerializer):
    part = Id(queryset=Part.objects.all())
    unit = serializers.ChoiceField(PriorUse.Unit.choices, help_text=PRIOR_UNIT_HELP)
    amount = Number(required=False, allow_null=True)
    note = Text(required=False, max_length=200)


class StockEntrySerializer(WithdrawableSerializer):
    kind_name = serializers.CharField(source="kind.name", read_only=True)
    cause = StatementSerializer(allow_null=True, read_only=True)

    class Meta:
        model = StockEntry
        fields = [
            "id",
            "kind",
            "kind_name",
            "at",
            "change",
            "note",
            "cause",
            "fitting",
            "service",
            "charge",
            *WITHDRAWAL,
            "recorded_at",
        ]


class AddStockSerializer(StrictSerializer):
    kind = Id(queryset=PartKind.objects.all())
    count = Number(help_text="what came into stock, in pieces or the stock_unit; negative: counted out")
    at = Moment(required=False)
    note = Text(required=False, max_length=200)


class FittingSiteSerializer(StrictSerializer):
    """A toolhead, or a printer for a part that the whole printer has once."""

    toolhead = Id(queryset=Toolhead.objects.all(), required=False)
    printer = Id(queryset=Printer.objects.all(), required=False)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if ("toolhead" in attrs) == ("printer" in attrs):
            raise serializers.ValidationError(_("Give either a toolhead or a printer to fit it to."))
        attrs["site"] = attrs.pop("toolhead", None) or attrs.pop("printer")
        return attrs


class FitSerializer(FittingSiteSerializer):
    """A new part of ``kind`` from stock, a ``part`` that was taken off sound, or a used one with its ``prior_unit``.

    A used part of ``kind`` was never in the drawer.
    """

    kind = Id(queryset=PartKind.objects.all(), required=False)
    part = Id(queryset=Part.objects.all(), required=False)
    prior_unit = serializers.ChoiceField(PriorUse.Unit.choices, required=False, help_text=PRIOR_UNIT_HELP)
    prior_amount = Number(required=False, allow_null=True)
    at = Moment(required=False)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if ("kind" in attrs) == ("part" in attrs):
            raise serializers.ValidationError(_("Give either a kind to take from stock or a part to refit."))
        if "prior_unit" in attrs and "kind" not in attrs:
            raise serializers.ValidationError(
                {
                    "prior_unit": _(
                        "Give the kind of a used part; a part that is on record has its own prior use."
                    )
                }
            )
        if "prior_amount" in attrs and "prior_unit" not in attrs:
            raise serializers.ValidationError({"prior_unit": _("Give the unit of prior_amount.")})
        return super().validate(attrs)


class ReplaceSerializer(FittingSiteSerializer):
    role = serializers.ChoiceField(PartKind.Role.choices)
    kind = Id(queryset=PartKind.objects.all())
    removal = serializers.ChoiceField(
        Fitting.Removal.choices,
        required=False,
        help_text="the reason for removing the old part; worn if not given",
    )
    at = Moment(required=False)


class CorrectRemovalSerializer(StrictSerializer):
    removal = serializers.ChoiceField(Fitting.Removal.choices)
    at = Moment(required=False, help_text="when it came off; as recorded if not given")
    reason = Text(max_length=MAX_REASON_LENGTH, help_text="the reason for the correction")


class RemoveSerializer(StrictSerializer):
    removal = serializers.ChoiceField(Fitting.Removal.choices)
    at = Moment(required=False)
