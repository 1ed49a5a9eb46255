from typing import Any

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from api.fields import Id, ModelSerializer, Moment, Number, SpoolCode, StrictSerializer, Text, Whole
from api.serializers.facts import WITHDRAWAL, WithdrawableSerializer
from api.serializers.machines import CheckSerializer, ReservationSerializer
from api.serializers.statements import StatementSerializer
from maintenance.jobs.progress import load_progress
from maintenance.models import Job, JobEvent, JobUse, Toolhead
from spools.models import Place


class JobUseSerializer(ModelSerializer):
    spool = SpoolCode(read_only=True)
    toolhead_name = serializers.CharField(source="toolhead.__str__", read_only=True)

    class Meta:
        model = JobUse
        fields = ["toolhead", "toolhead_name", "slot", "spool", "mass_g", "retracted_m", "changes", "purge_g"]


class JobEventSerializer(WithdrawableSerializer):
    """A step in the life of a job. parts, good_parts, reason, stopped: of its end."""

    stopped = StatementSerializer(allow_null=True, read_only=True)

    class Meta:
        model = JobEvent
        fields = [
            "id",
            "job",
            "kind",
            "at",
            "hours",
            "parts",
            "good_parts",
            "reason",
            "stopped",
            "recorded_at",
            *WITHDRAWAL,
        ]


class ProgressSerializer(serializers.Serializer):
    """How far a running print is, as its printer's host reported last. paused_at: null while it prints."""

    at = serializers.DateTimeField(allow_null=True)
    pct = serializers.FloatField(allow_null=True)
    metres = serializers.FloatField(allow_null=True)
    paused_at = serializers.DateTimeField(allow_null=True)
    reason = serializers.CharField(allow_blank=True)


class JobSerializer(WithdrawableSerializer):
    """known_before: the print was planned or recorded already, and this is that job.

    progress: of one that prints, where its printer's host reported any.
    """

    known_before = serializers.BooleanField(read_only=True)
    events = JobEventSerializer(many=True, read_only=True)
    reservations = ReservationSerializer(many=True, read_only=True)
    printer_name = serializers.CharField(source="printer.name", read_only=True)
    reasons = CheckSerializer(many=True, read_only=True)
    stopped = StatementSerializer(allow_null=True, read_only=True)
    uses = JobUseSerializer(many=True, read_only=True)
    progress = serializers.SerializerMethodField()

    class Meta:
        model = Job
        fields = [
            "id",
            "printer",
            "printer_name",
            "name",
            "project",
            "stage",
            "start",
            "end",
            "hours",
            "nozzle_c",
            "bed_c",
            "max_flow_mm3_s",
            "file",
            "stopped",
            "progress",
            "reprint_of",
            "uses",
            "reservations",
            "events",
            "known_before",
            "state",
            "reasons",
            "override_reason",
            "recorded_at",
            *WITHDRAWAL,
        ]

    @extend_schema_field(ProgressSerializer(allow_null=True))
    def get_progress(self, job: Job) -> dict[str, Any] | None:
        progress = load_progress([job.pk]).get(job.pk) if job.stage == Job.Stage.PRINTING else None
        return None if progress is None else ProgressSerializer(progress).data


class OutcomeSerializer(StrictSerializer):
    parts = Whole(required=False, help_text="how many were printed at once")
    good_parts = Whole(required=False, help_text="how many of them are good")
    reason = Text(required=False, max_length=300, help_text="why it failed or stopped")


class StageSerializer(OutcomeSerializer):
    stage = serializers.ChoiceField(
        Job.Stage.choices,
        required=False,
        help_text="without it: printing while its time is not over, else finished",
    )
    start = Moment(
        required=False,
        help_text="without it: of a print that is over, its hours before now; of a plan, the first free time",
    )
    override_reason = Text(
        required=False, max_length=300, help_text="why it was printed in spite of a hold; never required"
    )


class SpoolGramsSerializer(StrictSerializer):
    spool = SpoolCode()
    mass_g = Number()

    def to_internal_value(self, data: Any) -> Any:
        return tuple(super().to_internal_value(data).values())


class RecordJobSerializer(StageSerializer):
    toolhead = Id(queryset=Toolhead.objects.all())
    spool = SpoolCode(help_text="the spool that was loaded on that toolhead then")
    name = Text(max_length=120)
    mass_g = Number()
    hours = Number()
    nozzle_c = Number()
    bed_c = Number()
    max_flow_mm3_s = Number(required=False, help_text="its fastest flow, judged by the last flow check")
    retracted_m = Number(required=False, help_text="filament pulled back by all its retractions")
    more = SpoolGramsSerializer(
        many=True, required=False, max_length=31, help_text="other spools in slots of the toolhead"
    )
    changes = Number(
        required=False, help_text="of spool in all; each purges as the toolhead states, beside the grams"
    )
    reprint_of = Id(queryset=Job.objects.all(), required=False)
    project = Text(required=False, allow_blank=True, max_length=80, help_text="or customer, for reports")


class ProjectSerializer(StrictSerializer):
    project = Text(allow_blank=True, max_length=80)


class StartJobSerializer(StrictSerializer):
    at = Moment(required=False)


class PrintedPartSerializer(StrictSerializer):
    """How far a print got, in one way; without any by its time."""

    at = Moment(required=False)
    mass_g = Number(required=False, help_text="grams; of a change of spool: those of the former spool")
    metres = Number(required=False, help_text="metres of filament")
    stopped_line = Whole(required=False, help_text="before this line of its file")
    stopped_pct = Number(required=False, help_text="share of its file, or of its filament without a file, %")


class ChangeSpoolSerializer(PrintedPartSerializer):
    spool = SpoolCode(help_text="the spool that it goes on with, of the same feedstock")
    from_spool = SpoolCode(required=False, help_text="the spool that ran out, where it uses several")
    unload_to = Id(
        required=False, queryset=Place.objects.all(), help_text="where the former spool goes, if it is loaded"
    )


class EndJobSerializer(PrintedPartSerializer, OutcomeSerializer):
    result = serializers.ChoiceField(["finished", "failed", "stopped"])


class ReprintSerializer(StrictSerializer):
    stage = serializers.ChoiceField(Job.Stage.choices, required=False, help_text="without it: planned")
    start = Moment(required=False)
