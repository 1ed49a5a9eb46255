from typing import Any

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from api.fields import Moment, Number, SpoolCode, StrictSerializer, Text, Whole
from api.serializers.facts import RECORDING, WITHDRAWAL, WithdrawableSerializer
from api.serializers.machines import CheckSerializer, JobMaterialSerializer
from maintenance import limits
from maintenance.models import PrinterEvent
from spools import codes
from spools.refusals import refusal

MOST_EVENTS = 1000
MOST_METRES = 20_000
NUMBERS = ("mass_g", "hours", "nozzle_c", "bed_c")


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


class AskStartSerializer(JobMaterialSerializer):
    """The job of a file, or its four numbers; with its spool, or as loaded."""

    printer = NameOrId(required=False, help_text="its id or name, where the toolhead is not given by its id")
    toolhead = NameOrId(
        required=False, help_text="its id; with the printer its name, or nothing where it has one"
    )
    spool = SpoolCode(required=False, help_text="without it the one that is loaded there")
    slot = Whole(
        required=False, min_value=1, max_value=32, help_text="of the toolhead, where spools are in several"
    )
    file = Text(required=False, max_length=64, help_text="SHA-256 of a job file that was added")
    mass_g = Number(required=False, **limits.JOB_G.bounds)
    hours = Number(required=False, **limits.JOB_HOURS.bounds)
    nozzle_c = Number(required=False, **limits.NOZZLE_C.bounds)
    bed_c = Number(required=False, **limits.BED_C.bounds)
    max_flow_mm3_s = Number(required=False, **limits.FLOW_MM3_S.bounds)
    job = Text(
        required=False, max_length=100, help_text="the host's id of the print: its plan is not in its way"
    )
    name = Text(required=False, max_length=120, help_text="of the job, likewise")
    refuse = serializers.BooleanField(required=False, help_text="answer a hold with 409")

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        attrs = super().validate(attrs)
        missing = [name for name in NUMBERS if name not in attrs]
        if "file" not in attrs and missing:
            raise refusal(
                "job_missing",
                _("Give mass_g, hours, nozzle_c and bed_c, or the file."),
                missing[0],
            )
        if "toolhead" not in attrs and "printer" not in attrs:
            raise refusal("toolhead_needed", _("Give the toolhead, or the printer."), "toolhead")
        return attrs


class StartVerdictSerializer(serializers.Serializer):
    """reasons: the checks that are not clear, the worst first. errors: of a hold, where it was to be refused."""

    state = serializers.ChoiceField(["clear", "caution", "hold"], source="verdict.state")
    toolhead = serializers.IntegerField(source="toolhead.pk")
    spools = SpoolCode(many=True, read_only=True)
    reasons = CheckSerializer(many=True, source="verdict.reasons")


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
