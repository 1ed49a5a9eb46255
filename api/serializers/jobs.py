from rest_framework import serializers

from api.fields import Id, ModelSerializer, Moment, Number, SpoolCode, StrictSerializer, Text
from api.serializers.facts import WITHDRAWAL, WithdrawableSerializer
from api.serializers.machines import CheckSerializer
from api.serializers.statements import StatementSerializer
from maintenance.models import Job, JobUse, Toolhead


class JobUseSerializer(ModelSerializer):
    spool = SpoolCode(read_only=True)
    toolhead_name = serializers.CharField(source="toolhead.__str__", read_only=True)

    class Meta:
        model = JobUse
        fields = ["toolhead", "toolhead_name", "spool", "mass_g", "retracted_m"]


class JobSerializer(WithdrawableSerializer):
    printer_name = serializers.CharField(source="printer.name", read_only=True)
    reasons = CheckSerializer(many=True, read_only=True)
    stopped = StatementSerializer(allow_null=True, read_only=True)
    uses = JobUseSerializer(many=True, read_only=True)

    class Meta:
        model = Job
        fields = [
            "id",
            "printer",
            "printer_name",
            "name",
            "start",
            "hours",
            "nozzle_c",
            "bed_c",
            "max_flow_mm3_s",
            "file",
            "stopped",
            "uses",
            "state",
            "reasons",
            "override_reason",
            "recorded_at",
            *WITHDRAWAL,
        ]


class RecordJobSerializer(StrictSerializer):
    toolhead = Id(queryset=Toolhead.objects.all())
    spool = SpoolCode(help_text="the spool that was loaded on that toolhead then")
    name = Text(max_length=120)
    mass_g = Number()
    hours = Number()
    nozzle_c = Number()
    bed_c = Number()
    max_flow_mm3_s = Number(required=False, help_text="its fastest flow, judged by the last flow check")
    retracted_m = Number(required=False, help_text="filament pulled back by all its retractions")
    start = Moment(required=False)
    override_reason = Text(
        required=False, max_length=300, help_text="the reason for printing in spite of a hold"
    )
