from typing import Any

from django.utils.translation import gettext_lazy
from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from api.fields import Moment, Number, StrictSerializer, Text, Whole
from api.serializers.facts import RECORDING, WITHDRAWAL, WithdrawableSerializer
from maintenance import limits
from maintenance.models import PrinterEvent
from spools import codes

MOST_EVENTS = 1000
MOST_METRES = 20_000


@extend_schema_field({"oneOf": [{"type": "integer"}, {"type": "string", "maxLength": 100}]})
class NameOrId(serializers.Field):
    """A row by its id or its name."""

    default_error_messages = {"invalid": gettext_lazy("Give an id as a whole number, or a name as text.")}

    def to_internal_value(self, data: Any) -> int | str:
        if isinstance(data, bool) or not isinstance(data, (int, str)) or len(str(data)) > 100:
            self.fail("invalid")
        return data

    def to_representation(self, value: Any) -> Any:
        return value


class ReportEventSerializer(StrictSerializer):
    """An event of a print; which fields its kind needs stands in docs/neighbours/printers.md."""

    id = Text(max_length=100, help_text="the sender's own; an event that is sent again has the same")
    printer = NameOrId(help_text="its id or name")
    job = Text(max_length=100, help_text="the host's own id of this one print")
    kind = serializers.ChoiceField(PrinterEvent.Kind.choices)
    at = Moment(help_text="when it happened, by the sender's clock")
    sent_at = Moment(required=False, help_text="the sender's clock at the moment of sending")
    name = Text(required=False, max_length=120)
    toolhead = NameOrId(required=False, help_text="its id or name; not needed where the printer has one")
    spool = Text(
        required=False, max_length=300, help_text="code of the spool that it prints from, or goes on with"
    )
    start = Moment(required=False, help_text="of a plan: when it is to begin")
    mass_g = Number(required=False, **limits.JOB_G.bounds)
    hours = Number(required=False, **limits.JOB_HOURS.bounds)
    nozzle_c = Number(required=False, **limits.NOZZLE_C.bounds)
    bed_c = Number(required=False, **limits.BED_C.bounds)
    file = Text(required=False, max_length=64, help_text="SHA-256 of a job file that was added")
    metres = Number(
        required=False, min_value=0, max_value=MOST_METRES, help_text="extruded by this print so far"
    )
    pct = Number(required=False, **limits.STOPPED_PCT.bounds)
    parts = Whole(required=False, min_value=1, max_value=10_000)
    good_parts = Whole(required=False, min_value=0, max_value=10_000)
    reason = Text(required=False, max_length=300, allow_blank=True)
    unload_to = NameOrId(required=False, help_text="the place where the former spool goes, by its id or name")

    def validate_spool(self, code: str) -> str:
        return codes.normalise(code)

    def validate_file(self, digest: str) -> str:
        return digest.lower()


class EventErrorSerializer(serializers.Serializer):
    field = serializers.CharField()
    code = serializers.CharField()
    message = serializers.CharField()


class EventResultSerializer(serializers.Serializer):
    id = serializers.CharField()
    result = serializers.ChoiceField(["recorded", "known", "waiting", "refused"])
    job = serializers.IntegerField(allow_null=True)
    stage = serializers.CharField(allow_null=True)
    errors = EventErrorSerializer(many=True)


class EventResultsSerializer(serializers.Serializer):
    results = EventResultSerializer(many=True)


class PrinterEventSerializer(WithdrawableSerializer):
    """An event as it is stored. at: by the clock of this service; sender_at: by the sender's."""

    class Meta:
        model = PrinterEvent
        fields = [
            "id",
            "printer",
            "key",
            "print_key",
            "kind",
            "at",
            "sender_at",
            "values",
            "job",
            "state",
            "errors",
            *RECORDING,
            *WITHDRAWAL,
        ]
