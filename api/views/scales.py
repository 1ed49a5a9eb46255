from typing import Any

from drf_spectacular.utils import PolymorphicProxySerializer, extend_schema
from rest_framework import mixins
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from api.fields import parse
from api.filters import ScaleWeighingFilter
from api.serializers import scales as serializers
from api.views.base import Endpoint, RecordViewSet, respond
from maintenance.models import Scale, ScaleWeighing, Scan
from maintenance.scales.units import UNITS
from maintenance.scales.weighings import SentMass, record_scan, record_weighing, set_aside, settle_weighing

ONE_OR_MANY = PolymorphicProxySerializer(
    component_name="SentWeighingOrWeighings",
    serializers=[serializers.SentWeighingSerializer, serializers.SentWeighingSerializer(many=True)],
    resource_type_field_name=None,
    many=False,
)


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
        request=ONE_OR_MANY,
        responses=serializers.WeighingResultSerializer(many=True),
        description="Store one weighing or a list of at most 1,000. What the books refuse is held, not lost: the "
        "answer is 200 with one result for each.",
    )
    def create(self, request: Request) -> Response:
        sent = request.data if isinstance(request.data, list) else [request.data]
        parsed = serializers.SentWeighingSerializer(
            data=sent, many=True, allow_empty=False, max_length=serializers.MOST_SENT
        )
        parsed.is_valid(raise_exception=True)
        results = [_record(each, request.user) for each in parsed.validated_data]
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
