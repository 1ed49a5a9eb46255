from typing import Any

from django.utils.translation import gettext as _
from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from api.fields import Id, ModelSerializer, Moment, Number, SpoolCode, StrictSerializer, Text
from api.serializers.statements import StatementSerializer
from maintenance.models import Job, Toolhead, TroubleOutcome, TroubleReport
from maintenance.trouble.causes import SYMPTOMS
from maintenance.trouble.reports import load_findings
from maintenance.trouble.rules import other_causes


class LineSerializer(serializers.Serializer):
    speaks = serializers.ChoiceField(["for", "against", "open"])
    weight = Number(help_text="log-odds (natural) that it adds to the score")
    statement = StatementSerializer()


class FindingSerializer(serializers.Serializer):
    """A cause in its place of the order, with every reason."""

    cause = serializers.CharField()
    title = serializers.CharField()
    chance = serializers.ChoiceField(["likely", "possible", "unlikely"])
    score = Number(help_text="log-odds; rests on experience: compare it within this report only")
    lines = LineSerializer(many=True)
    test = StatementSerializer(help_text="the quickest test that settles it")
    remedy = StatementSerializer()


class OutcomeSerializer(ModelSerializer):
    title = serializers.CharField(source="__str__", read_only=True)

    class Meta:
        model = TroubleOutcome
        fields = ["id", "cause", "title", "note", "recorded_at"]


class TroubleSerializer(ModelSerializer):
    spool = SpoolCode(read_only=True)
    toolhead_name = serializers.CharField(source="toolhead.__str__", read_only=True)
    symptoms = serializers.ListField(child=serializers.CharField(), read_only=True)
    findings = serializers.SerializerMethodField()
    outside = serializers.SerializerMethodField()
    outcomes = OutcomeSerializer(many=True, read_only=True)

    class Meta:
        model = TroubleReport
        fields = [
            "id",
            "job",
            "toolhead",
            "toolhead_name",
            "spool",
            "at",
            "symptoms",
            "findings",
            "outside",
            "outcomes",
            "note",
            "recorded_at",
        ]

    @extend_schema_field(FindingSerializer(many=True))
    def get_findings(self, report: TroubleReport) -> Any:
        """The causes among the consumables, the likeliest first."""
        return FindingSerializer(load_findings(report), many=True).data

    @extend_schema_field(StatementSerializer(many=True))
    def get_outside(self, report: TroubleReport) -> Any:
        """Causes outside the consumables."""
        return StatementSerializer(other_causes(report.symptoms), many=True).data


class ReportTroubleSerializer(StrictSerializer):
    """A recorded job, or toolhead, spool and time of a print that is not recorded."""

    symptoms = serializers.ListField(
        child=serializers.ChoiceField(list(SYMPTOMS)), allow_empty=False, max_length=len(SYMPTOMS)
    )
    job = Id(queryset=Job.objects.all(), required=False)
    toolhead = Id(queryset=Toolhead.objects.all(), required=False)
    spool = SpoolCode(required=False)
    at = Moment(required=False)
    note = Text(required=False, allow_blank=True, max_length=300)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if "job" in attrs and "at" in attrs:
            raise serializers.ValidationError({"at": _("The job has its time. Leave this out.")})
        if "job" not in attrs and not ("toolhead" in attrs and "spool" in attrs):
            raise serializers.ValidationError(_("Give a job, or a toolhead and a spool."))
        return attrs


class RecordOutcomeSerializer(StrictSerializer):
    cause = serializers.ChoiceField(TroubleOutcome.Cause.choices)
    note = Text(required=False, allow_blank=True, max_length=300)
