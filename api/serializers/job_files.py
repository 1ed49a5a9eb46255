from typing import Any

from django.utils.translation import gettext as _
from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from api.fields import Id, ModelSerializer, Number, SpoolCode, StrictSerializer, Text, Whole
from api.serializers.jobs import StageSerializer
from api.serializers.machines import CheckSerializer, JobMaterialSerializer, VerdictSerializer
from api.serializers.statements import StatementSerializer
from maintenance.gcode import JobFacts
from maintenance.models import JobFile, JobFileMaterial, Printer
from spools.refusals import refusal


class SpanSerializer(serializers.Serializer):
    value = serializers.FloatField()
    amount = serializers.FloatField()


class RetractionsSerializer(serializers.Serializer):
    count = serializers.IntegerField()
    length_mm = serializers.FloatField()
    usual_mm = serializers.FloatField()
    longest_mm = serializers.FloatField()
    per_m = serializers.FloatField()
    most_over_one = serializers.IntegerField(help_text="times that the same bit of filament was pulled back")


class FileUseSerializer(serializers.Serializer):
    tool = serializers.IntegerField()
    filament_mm = serializers.FloatField(help_text="net of retractions")
    cm3 = serializers.SerializerMethodField()
    seconds = serializers.FloatField()
    peak_1s_mm3_s = serializers.FloatField()
    peak_5s_mm3_s = serializers.FloatField()
    retractions = RetractionsSerializer()
    hot = SpanSerializer(many=True, help_text="°C and the seconds at each")

    def get_cm3(self, use: Any) -> float:
        """For the diameter that the file was read for."""
        return use.cm3(self.context["diameter_mm"])


class JobFileSerializer(ModelSerializer):
    problem = StatementSerializer(allow_null=True, help_text="why it cannot be read")

    class Meta:
        model = JobFile
        fields = [
            "id",
            "name",
            "size_bytes",
            "printer",
            "diameter_mm",
            "member",
            "state",
            "share_read",
            "problem",
            "added_at",
            "content_deleted_at",
        ]


class JobFileMaterialSerializer(ModelSerializer):
    class Meta:
        model = JobFileMaterial
        fields = ["tool", "feedstock", "polymer"]


class JobFileFactsSerializer(JobFileSerializer):
    materials = JobFileMaterialSerializer(many=True, help_text="that it was made for, as stated")
    seconds = serializers.SerializerMethodField()
    uses = serializers.SerializerMethodField()
    flow_bin_s = serializers.SerializerMethodField()
    flow_mm3_s = serializers.SerializerMethodField()
    bed = serializers.SerializerMethodField()
    remarks = serializers.SerializerMethodField()
    unread = serializers.SerializerMethodField()

    class Meta(JobFileSerializer.Meta):
        fields = [
            *JobFileSerializer.Meta.fields,
            "materials",
            "seconds",
            "uses",
            "bed",
            "flow_bin_s",
            "flow_mm3_s",
            "remarks",
            "unread",
        ]

    @property
    def facts(self) -> JobFacts | None:
        return self.context["facts"]

    def get_seconds(self, file: JobFile) -> float | None:
        """An estimate from accelerations; null until the file is read."""
        return self.facts.seconds if self.facts else None

    @extend_schema_field(FileUseSerializer(many=True))
    def get_uses(self, file: JobFile) -> Any:
        """The filament of each spool of the job, in the order of first use."""
        if self.facts is None:
            return []
        context = {"diameter_mm": self.facts.reading.diameter_mm}
        return FileUseSerializer(self.facts.uses, many=True, context=context).data

    @extend_schema_field(SpanSerializer(many=True))
    def get_bed(self, file: JobFile) -> Any:
        """Set points in °C and the seconds at each."""
        return SpanSerializer(self.facts.bed if self.facts else [], many=True).data

    def get_flow_bin_s(self, file: JobFile) -> float | None:
        return self.facts.flow_bin_s if self.facts else None

    def get_flow_mm3_s(self, file: JobFile) -> list[float]:
        """The flow over the time of the job, in bins of equal length."""
        return self.facts.flow_mm3_s if self.facts else []

    @extend_schema_field(StatementSerializer(many=True))
    def get_remarks(self, file: JobFile) -> Any:
        """Reasons why the numbers are less certain."""
        return StatementSerializer(self.facts.remarks, many=True).data if self.facts else []

    def get_unread(self, file: JobFile) -> dict[str, int]:
        """Ignored commands, and how often each came."""
        return self.facts.unread if self.facts else {}


class AddJobFileSerializer(StrictSerializer):
    file = serializers.FileField(
        help_text="G-code: plain, gzip, or a ZIP container that holds it; up to 1 GiB"
    )
    diameter_mm = Number(required=False, help_text="of the filament; without it 1.75")
    printer = Id(
        required=False,
        queryset=Printer.objects.all(),
        help_text="the machine that decides how G90 and G91 are read",
    )


class ReadAgainSerializer(StrictSerializer):
    diameter_mm = Number(required=False)
    printer = Id(required=False, queryset=Printer.objects.all())
    member = Text(required=False, max_length=200, help_text="name of the job in a container")


class StateMaterialSerializer(JobMaterialSerializer):
    """The material that a tool of the file was made for; without feedstock and polymer it is not known."""

    tool = Whole(required=False, help_text="counted from 0; without it 0")


class FilePartSerializer(serializers.Serializer):
    toolhead = serializers.IntegerField(source="toolhead.pk")
    slot = serializers.IntegerField()
    spool = SpoolCode(read_only=True, allow_null=True)
    uses = serializers.ListField(
        child=serializers.IntegerField(), source="numbers", help_text="indexes of the job's uses"
    )
    mass_g = serializers.FloatField(source="spec.mass_g", default=None, allow_null=True)
    changes = serializers.FloatField(
        source="spec.changes", default=None, allow_null=True, help_text="of spool to this one"
    )
    purge_g = serializers.FloatField(
        source="spec.purge_g", default=None, allow_null=True, help_text="the part of mass_g that these purge"
    )
    state = serializers.CharField(source="verdict.state")
    checks = CheckSerializer(many=True, source="verdict.checks")


class MachineVerdictSerializer(VerdictSerializer):
    printer = serializers.IntegerField(source="printer.pk")
    state = serializers.CharField(source="verdict.state")
    checks = CheckSerializer(many=True, source="verdict.checks")
    parts = FilePartSerializer(many=True)


class SlotsSerializer(StrictSerializer):
    """The slots of a printer that the uses of a file are printed from, and its changes of spool."""

    slots = serializers.ListField(
        child=Whole(),
        required=False,
        allow_empty=False,
        max_length=64,
        help_text="for each use of the file the slot that it is printed from; of several toolheads the slots are counted on",
    )
    changes = Number(required=False, help_text="of spool, as counted; without it as the file has them")


class AskFileReadinessSerializer(SlotsSerializer):
    printer = Id(
        required=False, queryset=Printer.objects.all(), help_text="of slots; without it all machines in use"
    )

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if ("slots" in attrs) != ("printer" in attrs):
            raise refusal("printer_and_slots", _("Give printer and slots together, or none."))
        return attrs


class RecordFileJobSerializer(StageSerializer, SlotsSerializer):
    """spools or slots: one of them."""

    printer = Id(queryset=Printer.objects.all())
    spools = serializers.ListField(
        child=SpoolCode(),
        required=False,
        allow_empty=False,
        max_length=64,
        help_text="in the order in which the job uses them",
    )
    name = Text(required=False, max_length=120, help_text="without it the file's")
    stopped_line = Whole(required=False, help_text="it stopped before this line of the file")
    stopped_pct = Number(required=False, help_text="it stopped at this share of the file, %")

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if ("spools" in attrs) == ("slots" in attrs):
            raise refusal("spools_or_slots", _("Give the spools, or the slots that they are in."), "spools")
        return attrs
