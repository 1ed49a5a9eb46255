from typing import Any

from django.utils.translation import gettext as _
from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from api.fields import Id, ModelSerializer, Moment, Number, SpoolCode, StrictSerializer, Text, Whole
from api.serializers.facts import RECORDING, WITHDRAWAL, WithdrawableSerializer
from api.serializers.statements import StatementSerializer
from maintenance import limits
from maintenance.machines.loading import require_feeding
from maintenance.machines.printers import save_printer, save_toolhead
from maintenance.models import Fitting, Job, Loading, Printer, Reservation, Toolhead
from maintenance.readiness.verdict import ReadinessCheck, decode_checks
from spools.models import Feedstock, Place, Polymer
from spools.refusals import refusal

# A machine's place is of this kind, so that its air and its spools are found.
PRINTER_PLACES = Place.objects.filter(kind=Place.Kind.PRINTER)


class _StatedSerializer(StatementSerializer):
    """What has a statement beside other fields."""

    code = serializers.CharField(source="statement.code")
    values = serializers.DictField(source="statement.values")


class RemedySerializer(_StatedSerializer):
    """action: the kind of the act, such as "dry", "weigh", "replace" or "other_printer"."""

    action = serializers.CharField()


class CheckSerializer(_StatedSerializer):
    """One answer of a verdict. spool: its code where the job takes several, else empty. slot: of it; 0 without several."""

    name = serializers.CharField()
    state = serializers.ChoiceField(["clear", "caution", "hold"])
    spool = serializers.CharField(allow_blank=True)
    slot = serializers.IntegerField()
    remedy = RemedySerializer(allow_null=True)
    decided_by = StatementSerializer(
        many=True, help_text="unknowns that most of its uncertainty comes from; values.remedy narrows it"
    )

    def to_representation(self, instance: ReadinessCheck | dict[str, Any]) -> dict[str, Any]:
        """instance: as the rules gave it or as it was stored."""
        if isinstance(instance, dict):
            [instance] = decode_checks([instance])
        return super().to_representation(instance)


class VerdictSerializer(serializers.Serializer):
    state = serializers.ChoiceField(["clear", "caution", "hold"])
    checks = CheckSerializer(many=True)


class LoadingSerializer(WithdrawableSerializer):
    spool = SpoolCode(read_only=True)
    toolhead_name = serializers.CharField(source="toolhead.__str__", read_only=True)
    # When it came off, also where it was moved or dried without being unloaded.
    end = Moment(read_only=True, allow_null=True)
    reasons = CheckSerializer(many=True, read_only=True)
    cause = StatementSerializer(allow_null=True, read_only=True)

    class Meta:
        model = Loading
        fields = [
            "id",
            "toolhead",
            "toolhead_name",
            "slot",
            "spool",
            "start",
            "end",
            "state",
            "reasons",
            "override_reason",
            "cause",
            "fed_from",
            *RECORDING,
            *WITHDRAWAL,
        ]


class FittingSerializer(WithdrawableSerializer):
    fitted_to = serializers.CharField(source="site.__str__", read_only=True)
    kind = serializers.IntegerField(source="part.kind_id", read_only=True)
    kind_name = serializers.CharField(source="part.kind.name", read_only=True)

    class Meta:
        model = Fitting
        fields = [
            "id",
            "part",
            "kind",
            "kind_name",
            "toolhead",
            "printer",
            "fitted_to",
            "role",
            "start",
            "end",
            "removal",
            *WITHDRAWAL,
            "recorded_at",
        ]


class ReservationSerializer(ModelSerializer):
    """What a job that is not over uses and will take. start, end: of the job, as planned or expected."""

    spool = SpoolCode(read_only=True)
    job_name = serializers.CharField(source="job.name", read_only=True)
    stage = serializers.ChoiceField(Job.Stage.choices, source="job.stage", read_only=True)
    start = Moment(source="job.start", read_only=True)
    end = Moment(source="job.end", read_only=True)

    class Meta:
        model = Reservation
        fields = ["job", "job_name", "stage", "start", "end", "toolhead", "spool", "mass_g"]


class ToolheadSerializer(ModelSerializer):
    busy_until = serializers.SerializerMethodField()
    reservations = ReservationSerializer(many=True, read_only=True)
    printer_name = serializers.CharField(source="printer.name", read_only=True)
    loading = serializers.SerializerMethodField()
    loadings = LoadingSerializer(many=True, read_only=True, source="present_loadings")
    fittings = FittingSerializer(many=True, read_only=True, source="present_fittings")

    class Meta:
        model = Toolhead
        fields = [
            "id",
            "version",
            "printer",
            "printer_name",
            "name",
            "hot_end_max_c",
            "ptfe_lined",
            "feed",
            "tail_mm",
            "slots",
            "purge_g",
            "retired_at",
            "loading",
            "loadings",
            "busy_until",
            "reservations",
            "fittings",
        ]
        read_only_fields = ["retired_at"]
        validators: list = []

    @extend_schema_field(Moment(allow_null=True))
    def get_busy_until(self, toolhead: Any) -> Any:
        """When the print that runs on it is to end; null while none does."""
        printing = [row for row in toolhead.reservations.all() if row.job.stage == Job.Stage.PRINTING]
        return max((Moment().to_representation(row.job.end) for row in printing), default=None)

    def save_checked(self, row: Toolhead) -> Toolhead:
        return save_toolhead(row)

    @extend_schema_field(LoadingSerializer(allow_null=True))
    def get_loading(self, toolhead: Any) -> Any:
        """The spool that is on it now, of several the first; all of them are in loadings."""
        return next((LoadingSerializer(loading).data for loading in toolhead.present_loadings), None)


class PrinterSerializer(ModelSerializer):
    place = Id(queryset=PRINTER_PLACES)
    toolheads = Id(many=True, read_only=True)

    class Meta:
        model = Printer
        fields = [
            "id",
            "version",
            "name",
            "place",
            "bed_max_c",
            "enclosed",
            "e_follows_g90",
            "retired_at",
            "toolheads",
        ]
        read_only_fields = ["retired_at"]

    def save_checked(self, row: Printer) -> Printer:
        return save_printer(row)


class JobMaterialSerializer(StrictSerializer):
    """The material that a job was made for, if it is known: a feedstock or a polymer."""

    feedstock = Id(queryset=Feedstock.objects.select_related("polymer", "maker"), required=False)
    polymer = Id(queryset=Polymer.objects.all(), required=False)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if "feedstock" in attrs and "polymer" in attrs:
            raise refusal("one_material", _("Give a feedstock or a polymer, not both."))
        return attrs


class JobSpecSerializer(JobMaterialSerializer):
    """A job as far as the verdict needs it, with the material that it was made for, if it is known."""

    mass_g = Number(**limits.JOB_G.bounds)
    hours = Number(**limits.JOB_HOURS.bounds)
    nozzle_c = Number(**limits.NOZZLE_C.bounds)
    bed_c = Number(**limits.BED_C.bounds)
    max_flow_mm3_s = Number(required=False, **limits.FLOW_MM3_S.bounds)


class PairSerializer(StrictSerializer):
    toolhead = Id(queryset=Toolhead.objects.all())
    spool = SpoolCode()
    fed_from = Id(
        required=False,
        queryset=Place.objects.all(),
        help_text="a dry box or dryer that can feed: judged in its air; without it: as loaded, else at the printer",
    )

    def validate_fed_from(self, place: Place) -> Place:
        require_feeding(place)
        return place


class PairQuerySerializer(PairSerializer, JobMaterialSerializer):
    """A pair, with the four numbers of a job or none of them; with them its fastest flow, if known."""

    mass_g = Number(required=False, **limits.JOB_G.bounds)
    hours = Number(required=False, **limits.JOB_HOURS.bounds)
    nozzle_c = Number(required=False, **limits.NOZZLE_C.bounds)
    bed_c = Number(required=False, **limits.BED_C.bounds)
    max_flow_mm3_s = Number(required=False, **limits.FLOW_MM3_S.bounds)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        attrs, fields = super().validate(attrs), JobSpecSerializer().fields
        given_names = {name for name in fields if name in attrs}
        if given_names and not given_names >= {name for name, field in fields.items() if field.required}:
            raise serializers.ValidationError(_("Give mass_g, hours, nozzle_c and bed_c together, or none."))
        return attrs


class PairsRequestSerializer(StrictSerializer):
    pairs = PairSerializer(many=True, allow_empty=False, max_length=200)
    job = JobSpecSerializer(required=False, help_text="without it: a small job")


class PairVerdictSerializer(VerdictSerializer):
    toolhead = serializers.IntegerField()
    spool = serializers.CharField()


class PlannedVerdictSerializer(PairVerdictSerializer):
    job = serializers.IntegerField(allow_null=True, help_text="planned there; null: not judged for a plan")
    file = serializers.IntegerField(
        allow_null=True, help_text="of that job, or one that waits for a printer; both null: a small job"
    )


class LoadSerializer(StrictSerializer):
    toolhead = Id(queryset=Toolhead.objects.all())
    slot = Whole(required=False, help_text="of a toolhead that has several; without it the first free one")
    at = Moment(required=False)
    job = JobSpecSerializer(required=False, help_text="judge for this job; without it: a small one")
    override_reason = Text(
        required=False, max_length=300, help_text="the reason for loading in spite of a hold"
    )
    unload_to = Id(
        required=False, queryset=Place.objects.all(), help_text="the place for the spool that is on it"
    )
    fed_from = Id(
        required=False,
        queryset=Place.objects.all(),
        help_text="a dry box or dryer that can feed: the spool stays in its air; without it: at the printer",
    )


class PastLoadingSerializer(StrictSerializer):
    toolhead = Id(queryset=Toolhead.objects.all())
    slot = Whole(required=False, help_text="of a toolhead that has several; without it the first free one")
    start = Moment()
    end = Moment(help_text="when it came off; then it went back where it had been")
    fed_from = Id(
        required=False, queryset=Place.objects.all(), help_text="the dry box or dryer that fed it, if one did"
    )


class CorrectLoadingSerializer(StrictSerializer):
    at = Moment(help_text="when it was loaded")
