from rest_framework import serializers

from api.fields import Id, ModelSerializer, Moment, Number, StrictSerializer, Text
from api.serializers.facts import WITHDRAWAL, WithdrawableSerializer
from maintenance.models import Printer, ServiceEntry, ServiceKind, Toolhead
from maintenance.service.records import save_kind


class ServiceKindSerializer(ModelSerializer):
    class Meta:
        model = ServiceKind
        fields = [
            "id",
            "version",
            "name",
            "work",
            "subject",
            "unit",
            "interval",
            "consumable",
            "consumable_amount",
            "stops",
            "in_use",
            "advice",
            "source",
            "how",
        ]

    def save_checked(self, row: ServiceKind) -> ServiceKind:
        return save_kind(row)


class ServiceEntrySerializer(WithdrawableSerializer):
    kind_name = serializers.CharField(source="kind.name", read_only=True)

    class Meta:
        model = ServiceEntry
        fields = [
            "id",
            "kind",
            "kind_name",
            "printer",
            "toolhead",
            "at",
            "note",
            *WITHDRAWAL,
            "recorded_at",
        ]


class RecordServiceSerializer(StrictSerializer):
    """Done on a toolhead or on a printer, depending on its kind."""

    kind = Id(queryset=ServiceKind.objects.all())
    printer = Id(queryset=Printer.objects.all(), required=False)
    toolhead = Id(queryset=Toolhead.objects.select_related("printer"), required=False)
    at = Moment(required=False)
    note = Text(required=False, allow_blank=True, max_length=200)


class ServiceStatusSerializer(serializers.Serializer):
    """How far along a machine is, in ``unit``, since the service was done; null: it was never recorded."""

    kind = serializers.IntegerField(source="kind.pk")
    kind_name = serializers.CharField(source="kind.name")
    printer = serializers.IntegerField(source="printer.pk")
    toolhead = serializers.IntegerField(source="toolhead.pk", allow_null=True, default=None)
    last = Moment(allow_null=True)
    used = Number(source="since.used")
    interval = Number(source="since.interval")
    unit = serializers.CharField(source="kind.unit")
    per_day = Number(source="since.per_day", help_text="the rate of the last 30 days, or since the first job")
    overdue = serializers.BooleanField(source="since.overdue")
