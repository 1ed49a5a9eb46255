from datetime import datetime
from typing import Any

from django.utils import timezone
from drf_spectacular.utils import PolymorphicProxySerializer, extend_schema
from rest_framework import mixins
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.serializers import BaseSerializer

from api.fields import parse
from api.filters import ScaleWeighingFilter
from api.serializers import scales as serializers
from api.views.base import Endpoint, RecordViewSet, respond
from maintenance.models import Scale, ScaleMinute, ScalePrint, ScaleWeighing, Scan
from maintenance.scales.units import UNITS
from maintenance.scales.values import Counts, record_values
from maintenance.scales.weighings import SentMass, record_scan, record_weighing, set_aside, settle_weighing


def one_or_many(serializer: type[BaseSerializer]) -> PolymorphicProxySerializer:
    """The shape of a body that is one row or a list of them."""
    return PolymorphicProxySerializer(
        component_name=f"{serializer.__name__.removesuffix('Serializer')}OrList",
        serializers=[serializer, serializer(many=True)],
        resource_type_field_name=None,
        many=False,
    )


def parse_many(serializer: type[BaseSerializer], data: Any) -> list[dict[str, Any]]:
    """The rows of a body that is one row or a list of them. Refused: none, more than MOST_SENT, a bad one."""
    rows = data if isinstance(data, list) else [data]
    parsed = serializer(data=rows, many=True, allow_empty=False, max_length=serializers.MOST_SENT)
    parsed.is_valid(raise_exception=True)
    return parsed.validated_data


class Scales(RecordViewSet):
    """Scales that send their values."""

    queryset = Scale.objects.select_related("place")
    serializer_class = serializers.ScaleSerializer


class Scans(Endpoint):
    """Labels of spools that were scanned at a place."""

    queryset = Scan.objects.none()
    serializer_class = serializers.ScanSerializer

    @extend_schema(request=serializers.AddScanSerializer, responses={201: serializers.ScanSerializer})
    def create(self, request: Request) -> Response:
        """Store that a spool was scanned at a place: for 10 minutes the weighings of a scale there are its own."""
        data = parse(serializers.AddScanSerializer, request.data)
        scan = record_scan(data.pop("code"), data.pop("place"), **data, by=request.user)
        return respond(serializers.ScanSerializer, scan, status=201)


class Weighings(mixins.ListModelMixin, Endpoint):
    """Masses that scales sent, newest first. Those with a reason under held wait for a person."""

    queryset = ScaleWeighing.objects.select_related("scale", "spool")
    serializer_class = serializers.ScaleWeighingSerializer
    filterset_class = ScaleWeighingFilter

    @extend_schema(
        request=one_or_many(serializers.SentWeighingSerializer),
        responses=serializers.WeighingResultSerializer(many=True),
        description="Store one weighing or a list of at most 1,000. What the books refuse is held, not lost: the "
        "answer is 200 with one result for each.",
    )
    def create(self, request: Request) -> Response:
        sent = parse_many(serializers.SentWeighingSerializer, request.data)
        results = [_record(each, request.user) for each in sent]
        return respond(serializers.WeighingResultSerializer, results, many=True)

    @extend_schema(request=serializers.SettleSerializer)
    @action(detail=True, methods=["post"])
    def settle(self, request: Request, pk: str) -> Response:
        """State whose mass a held one is, or that an unlikely one is right."""
        spool = parse(serializers.SettleSerializer, request.data)["spool"]
        row = settle_weighing(self.get_object(), spool, by=request.user)
        return respond(serializers.ScaleWeighingSerializer, row)

    @extend_schema(request=None)
    @action(detail=True, methods=["post"], url_path="set-aside")
    def set_aside(self, request: Request, pk: str) -> Response:
        """A held mass is no weighing of a spool."""
        return respond(serializers.ScaleWeighingSerializer, set_aside(self.get_object()))


class ScaleValues(Endpoint):
    """Values of a scale that sends them all the time, as one under a spool holder."""

    queryset = ScaleMinute.objects.none()
    serializer_class = serializers.ValueCountsSerializer
    # The second of a value recognises it.
    idempotent = False

    @extend_schema(
        request=one_or_many(serializers.ScaleValueSerializer),
        responses=serializers.ValueCountsSerializer,
        description="Store one value or a list of at most 1,000, at least one a minute, in any order. They tell how many "
        "grams each print took, and weigh the spool after it. They are not stored for good.",
    )
    def create(self, request: Request) -> Response:
        by_scale: dict[str, list[tuple[datetime, float]]] = {}
        for row in parse_many(serializers.ScaleValueSerializer, request.data):
            value = row.get("at") or timezone.now(), row["mass"] * UNITS[row.get("unit", "g")]
            by_scale.setdefault(row["scale"], []).append(value)
        counts = [record_values(name, values) for name, values in sorted(by_scale.items())]
        return respond(serializers.ValueCountsSerializer, Counts(*map(sum, zip(*counts, strict=True))))


class ScalePrints(mixins.ListModelMixin, Endpoint):
    """The grams of prints by the scale under their spool, newest first."""

    queryset = ScalePrint.objects.select_related("spool")
    serializer_class = serializers.ScalePrintSerializer
    filterset_fields = ["job", "scale"]


def _record(data: dict[str, Any], account: Any) -> dict[str, Any]:
    sent = SentMass(
        data["scale"],
        data["mass"] * UNITS[data.get("unit", "g")],
        data.get("at"),
        data.get("net", False),
        data.get("id", ""),
        data.get("spool", ""),
    )
    row, is_known = record_weighing(sent, by=account)
    settled = "recorded" if row.entry_id else "set_aside"
    return {
        "id": row.sent_id,
        "result": "known" if is_known else "held" if row.held else settled,
        "weighing": row.pk,
        "spool": row.spool,
        "held": row.held,
    }
