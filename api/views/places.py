from django.utils.translation import gettext as _
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import (
    OpenApiParameter,
    PolymorphicProxySerializer,
    extend_schema,
    extend_schema_view,
)
from rest_framework import mixins
from rest_framework.decorators import action
from rest_framework.generics import get_object_or_404
from rest_framework.parsers import MultiPartParser
from rest_framework.request import Request
from rest_framework.response import Response

from api.fields import parse
from api.filters import ReadingFilter
from api.parsers import CSVParser
from api.serializers import places as serializers
from api.views.base import Endpoint, RecordViewSet, RetireMixin, WithdrawMixin, respond
from spools.air.climate import climate_at, record_readings
from spools.air.csv_import import read_csv
from spools.air.dry_box import box_now, explain_missing, put_desiccant
from spools.air.reading_corrections import correct_reading, withdraw_readings
from spools.air.salt_checks import record_salt_check
from spools.inventory.retiring import bring_back_place, retire_place
from spools.models import DesiccantCharge, Place, Reading, ReadingWithdrawal, SaltCheck
from spools.refusals import refusal

MOST_READINGS = 10_000
PLACE = [OpenApiParameter("place_pk", OpenApiTypes.INT, OpenApiParameter.PATH)]
ONE_OR_MANY = PolymorphicProxySerializer(
    component_name="ReadingOrReadings",
    serializers=[serializers.AddReadingSerializer, serializers.AddReadingSerializer(many=True)],
    resource_type_field_name=None,
    many=False,
)


class Places(RetireMixin, RecordViewSet):
    """Places of spools. Climate and readings are below each place."""

    retire_row, bring_back_row = staticmethod(retire_place), staticmethod(bring_back_place)

    queryset = Place.objects.all()
    serializer_class = serializers.PlaceSerializer
    filterset_fields = ["kind", "room"]

    @extend_schema(
        responses=serializers.ClimateSerializer,
        description="The air there now: measured, assumed, or made by a running dryer.",
    )
    @action(detail=True)
    def climate(self, request: Request, pk: str) -> Response:
        return respond(serializers.ClimateSerializer, climate_at(self.get_object()))

    @extend_schema(
        responses=serializers.BoxSerializer,
        description="A dry box whose air can be computed: its humidity, its desiccant, days until its limit. "
        "Refused while data for that is missing.",
    )
    @action(detail=True)
    def box(self, request: Request, pk: str) -> Response:
        place = self.get_object()
        box = box_now(place)
        if box is None:
            raise refusal("air_not_computed", explain_missing(place).sentence)
        return respond(serializers.BoxSerializer, box)


class OfPlace(mixins.ListModelMixin, Endpoint):
    """Base of facts about one place."""

    def place(self) -> Place:
        return get_object_or_404(Place, pk=self.kwargs["place_pk"])

    def filter_queryset(self, queryset):
        return super().filter_queryset(queryset).filter(place=self.place())


@extend_schema_view(
    list=extend_schema(parameters=PLACE),
    create=extend_schema(parameters=PLACE),
    withdraw=extend_schema(parameters=PLACE),
)
class Charges(WithdrawMixin, OfPlace):
    """Desiccant put into a dry box, oldest first. Regenerating it is a new charge; none is ever changed."""

    queryset = DesiccantCharge.objects.select_related("withdrawn_by")
    serializer_class = serializers.ChargeSerializer

    @extend_schema(request=serializers.AddChargeSerializer, responses={201: serializers.ChargeSerializer})
    def create(self, request: Request, place_pk: str) -> Response:
        data = parse(serializers.AddChargeSerializer, request.data)
        charge = put_desiccant(
            self.place(), data.pop("kind"), data.pop("dry_mass_g"), **data, by=request.user
        )
        return respond(serializers.ChargeSerializer, charge, status=201)


@extend_schema_view(
    list=extend_schema(parameters=PLACE),
    create=extend_schema(parameters=PLACE),
    withdraw=extend_schema(parameters=PLACE),
)
class SaltChecks(WithdrawMixin, mixins.ListModelMixin, Endpoint):
    """Checks of a place's hygrometer beside wet table salt, oldest first. The latest before a reading corrects it."""

    queryset = SaltCheck.objects.select_related("withdrawn_by")
    serializer_class = serializers.SaltCheckSerializer

    def place(self) -> Place:
        return get_object_or_404(Place, pk=self.kwargs["place_pk"])

    def filter_queryset(self, queryset):
        return super().filter_queryset(queryset).filter(place=self.place())

    @extend_schema(
        request=serializers.AddSaltCheckSerializer, responses={201: serializers.SaltCheckSerializer}
    )
    def create(self, request: Request, place_pk: str) -> Response:
        data = parse(serializers.AddSaltCheckSerializer, request.data)
        check = record_salt_check(self.place(), **data, by=request.user)
        return respond(serializers.SaltCheckSerializer, check, status=201)


@extend_schema_view(
    list=extend_schema(parameters=PLACE),
    create=extend_schema(parameters=PLACE),
    csv=extend_schema(parameters=PLACE),
    correct=extend_schema(parameters=PLACE),
)
class Readings(OfPlace):
    """Measured temperature and humidity of a place, oldest first. They are added, withdrawn or corrected, never changed."""

    queryset = Reading.objects.select_related("recorded_by")
    serializer_class = serializers.ReadingSerializer
    filterset_class = ReadingFilter

    @extend_schema(
        request=ONE_OR_MANY,
        responses={201: serializers.ReadingCountsSerializer},
        description=f"One reading, or a list of at most {MOST_READINGS}. An impossible one refuses them all.",
    )
    def create(self, request: Request, place_pk: str) -> Response:
        place = self.place()
        list_options = {"many": True, "max_length": MOST_READINGS} if isinstance(request.data, list) else {}
        serializer = serializers.AddReadingSerializer(data=request.data, **list_options)
        serializer.is_valid(raise_exception=True)
        rows = serializer.validated_data if list_options else [serializer.validated_data]
        return self._store_readings(place, [tuple(row.values()) for row in rows], Reading.Origin.API)

    @extend_schema(
        request={"text/csv": OpenApiTypes.STR, "multipart/form-data": serializers.ReadingsFileSerializer},
        responses={201: serializers.ReadingCountsSerializer},
        description="A CSV file with the columns time, temperature_c, rh_pct. One bad line refuses all.",
    )
    @action(detail=False, methods=["post"], parser_classes=[CSVParser, MultiPartParser])
    def csv(self, request: Request, place_pk: str) -> Response:
        place = self.place()
        file = request.data.get("file")
        if not hasattr(file, "read"):
            raise refusal(
                "file_missing", _("Send the CSV file as the body, or as the form's field file."), "file"
            )
        return self._store_readings(place, read_csv(file), Reading.Origin.FILE)

    @extend_schema(
        request=serializers.CorrectReadingSerializer, responses={201: serializers.ReadingSerializer}
    )
    @action(detail=True, methods=["post"])
    def correct(self, request: Request, place_pk: str, pk: str) -> Response:
        """Record the right values for a wrong reading from a person or a file, which is withdrawn."""
        data = parse(serializers.CorrectReadingSerializer, request.data)
        right = correct_reading(self.get_object(), **data, by=request.user)
        return respond(serializers.ReadingSerializer, right, status=201)

    def _store_readings(self, place: Place, rows: list[tuple], origin: str) -> Response:
        added, already_there = record_readings(place, rows, origin=origin, by=self.request.user)
        counts = {"added": added, "already_there": already_there}
        return respond(serializers.ReadingCountsSerializer, counts, status=201)


@extend_schema_view(
    list=extend_schema(parameters=PLACE),
    create=extend_schema(parameters=PLACE),
    withdraw=extend_schema(parameters=PLACE),
)
class ReadingWithdrawals(WithdrawMixin, OfPlace):
    """Readings of a place that do not count, one or a span. Withdraw a withdrawal to admit them again."""

    queryset = ReadingWithdrawal.objects.select_related("recorded_by", "withdrawn_by")
    serializer_class = serializers.ReadingWithdrawalSerializer

    @extend_schema(
        request=serializers.WithdrawReadingsSerializer,
        responses={201: serializers.ReadingWithdrawalSerializer},
    )
    def create(self, request: Request, place_pk: str) -> Response:
        data = parse(serializers.WithdrawReadingsSerializer, request.data)
        span = withdraw_readings(self.place(), **data, by=request.user)
        return respond(serializers.ReadingWithdrawalSerializer, span, status=201)
