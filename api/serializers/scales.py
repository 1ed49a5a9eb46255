from rest_framework import serializers

from api.fields import Id, ModelSerializer, Moment, Number, SpoolCode, StrictSerializer, Text
from maintenance.models import Scale, ScalePrint, ScaleWeighing, Scan
from maintenance.scales.scales import save_scale
from maintenance.scales.units import CHOICES
from spools import limits
from spools.models import Place

MOST_SENT = 1000
SCALE_NAME = {"max_length": 60, "help_text": "the scale's name; a new one is added to the list of scales"}


class ScaleSerializer(ModelSerializer):
    class Meta:
        model = Scale
        fields = ["id", "version", "name", "step_g", "tare_g", "place", "toolhead", "slot"]

    def save_checked(self, row: Scale) -> Scale:
        return save_scale(row)


class ScanSerializer(ModelSerializer):
    spool = SpoolCode(read_only=True)

    class Meta:
        model = Scan
        fields = ["id", "spool", "place", "at"]


class AddScanSerializer(StrictSerializer):
    code = SpoolCode(help_text="code or address of the spool's label")
    place = Id(queryset=Place.objects.all(), help_text="where it was scanned")
    at = Moment(required=False)


class SentWeighingSerializer(StrictSerializer):
    scale = Text(**SCALE_NAME)
    mass = Number(help_text="as the scale shows it", **limits.SENT_MASS.bounds)
    unit = serializers.ChoiceField(CHOICES, required=False, help_text="g if left out")
    net = serializers.BooleanField(required=False, help_text="without the reel; with it if left out")
    spool = Text(
        required=False,
        allow_blank=True,
        max_length=300,
        help_text="code or address of its label; if left out, the spool that was scanned last where the scale stands",
    )
    at = Moment(required=False, help_text="now if left out")
    id = Text(
        required=False,
        max_length=100,
        help_text="the sender's own, new for each weighing: a repeated one changes nothing",
    )


class ScaleValueSerializer(StrictSerializer):
    scale = Text(**SCALE_NAME)
    mass = Number(help_text="as the scale shows it", **limits.SENT_MASS.bounds)
    unit = serializers.ChoiceField(CHOICES, required=False, help_text="g if left out")
    at = Moment(required=False, help_text="now if left out; one value a second is stored")


class ValueCountsSerializer(serializers.Serializer):
    added = serializers.IntegerField()
    known = serializers.IntegerField(help_text="of a second that has a value already")
    set_aside = serializers.IntegerField(help_text="in the future, or more than two days old")


class ScalePrintSerializer(ModelSerializer):
    spool = SpoolCode(read_only=True)
    mass_g = Number(read_only=True, help_text="what the print took, by the scale")

    class Meta:
        model = ScalePrint
        fields = ["id", "scale", "job", "spool", "before_g", "after_g", "mass_g", "error_g", "weighing"]


class WeighingResultSerializer(serializers.Serializer):
    id = serializers.CharField(help_text="as sent, or empty")
    result = serializers.ChoiceField(
        ["recorded", "known", "held", "set_aside"],
        help_text="held: it waits for a person, for the reason held; known: it came before",
    )
    weighing = serializers.IntegerField()
    spool = SpoolCode(read_only=True, allow_null=True)
    held = serializers.CharField(help_text="code of the reason, or empty")


class ScaleWeighingSerializer(ModelSerializer):
    spool = SpoolCode(read_only=True, allow_null=True)

    class Meta:
        model = ScaleWeighing
        fields = ["id", "scale", "sent_id", "at", "mass_g", "is_net", "code", "spool", "entry", "held"]


class SettleSerializer(StrictSerializer):
    spool = SpoolCode(help_text="whose mass it is")
