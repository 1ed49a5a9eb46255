from typing import Any

from django.utils import timezone
from django.utils.translation import gettext as _
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework import mixins
from rest_framework.decorators import action
from rest_framework.parsers import BaseParser
from rest_framework.request import Request
from rest_framework.response import Response

from api.fields import parse
from api.parsers import CSVParser
from api.serializers import sensors as serializers
from api.views.base import Endpoint, WithdrawMixin, respond
from spools.air.sensors.acts import admit_values, leave_out_values, place_sensor
from spools.air.sensors.recording import record_measurements
from spools.air.sensors.senml import read_senml
from spools.air.sensors.tables import read_table_of_sensors
from spools.models import HeldValue, Sensor, SensorPlacement
from spools.refusals import refusal


class SenMLParser(BaseParser):
    """Hands the body over; spools/air/sensors/senml.py reads JSON and CBOR."""

    media_type = "application/senml+json"

    def parse(self, stream: Any, media_type: Any = None, parser_context: Any = None) -> Any:
        return {"pack": stream.read()}


class SenMLAsCBORParser(SenMLParser):
    media_type = "application/senml+cbor"


class SenMLAsPlainJSONParser(SenMLParser):
    media_type = "application/json"


class Measurements(Endpoint):
    """What sensors send by themselves, many at once. See docs/neighbours/sensors.md."""

    parser_classes = [SenMLParser, SenMLAsCBORParser, SenMLAsPlainJSONParser, CSVParser]
    serializer_class = serializers.CountsSerializer
    # A value that is sent twice is there once, so that no key is needed.
    idempotent = False
    pagination_class = None
    filter_backends: list = []

    @extend_schema(
        request={
            "application/senml+json": serializers.SenMLRecordSerializer(many=True),
            "application/senml+cbor": OpenApiTypes.BINARY,
            "text/csv": OpenApiTypes.STR,
        },
        responses={201: serializers.CountsSerializer},
    )
    def create(self, request: Request) -> Response:
        """Store a SenML pack (RFC 8428), in JSON or CBOR, or a CSV file with time, sensor, temperature_c and rh_pct.

        Repeated and late values are harmless. What cannot be is set aside, and the rest is stored.
        """
        data = request.data
        if "pack" in data:
            measurements = read_senml(data["pack"], timezone.now())
        elif hasattr(data.get("file"), "read"):
            measurements = read_table_of_sensors(data["file"])
        else:
            raise refusal("nothing_sent", _("Send a SenML pack or a CSV file as the body."))
        counts = record_measurements(measurements, by=request.user)
        return respond(serializers.CountsSerializer, counts, status=201)


class Sensors(mixins.ListModelMixin, mixins.RetrieveModelMixin, Endpoint):
    """Sensors by their names, with the last that each sent. One is added when it sends for the first time."""

    queryset = Sensor.objects.prefetch_related("placements")
    serializer_class = serializers.SensorSerializer
    filterset_fields = ["name"]

    @extend_schema(
        request=serializers.PlaceSensorSerializer, responses={201: serializers.PlacementSerializer}
    )
    @action(detail=True, methods=["post"])
    def place(self, request: Request, pk: str) -> Response:
        """From a time on it speaks for a place, or for none. Values that waited for that become readings."""
        data = parse(serializers.PlaceSensorSerializer, request.data)
        placement = place_sensor(self.get_object(), **data, by=request.user)
        return respond(serializers.PlacementSerializer, placement, status=201)


class SensorPlacements(WithdrawMixin, mixins.ListModelMixin, mixins.RetrieveModelMixin, Endpoint):
    """For which place each sensor speaks, and since when. Readings that came meanwhile stay with their place."""

    queryset = SensorPlacement.objects.select_related("withdrawn_by")
    serializer_class = serializers.PlacementSerializer
    filterset_fields = ["sensor", "place"]


class HeldValues(mixins.ListModelMixin, mixins.RetrieveModelMixin, Endpoint):
    """Values of sensors that are no readings: they wait for a place or a partner, or were set aside."""

    queryset = HeldValue.objects.select_related("sensor")
    serializer_class = serializers.HeldValueSerializer
    filterset_fields = ["sensor", "reason"]

    @extend_schema(request=None, responses=serializers.CountsSerializer)
    @action(detail=True, methods=["post"])
    def admit(self, request: Request, pk: str) -> Response:
        """It counts after all, with the other value of its time."""
        value = self.get_object()
        both = HeldValue.objects.filter(sensor=value.sensor, at=value.at, reason=value.reason)
        return respond(serializers.CountsSerializer, admit_values(both, by=request.user))

    @extend_schema(request=None)
    @action(detail=True, methods=["post"], url_path="leave-out")
    def leave_out(self, request: Request, pk: str) -> Response:
        """It is not shown any more, also when it is sent again."""
        leave_out_values([self.get_object()])
        return Response(self.get_serializer(self.get_object()).data)
