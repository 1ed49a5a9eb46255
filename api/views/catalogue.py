from django.utils import timezone
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema, extend_schema_view
from rest_framework import mixins
from rest_framework.decorators import action
from rest_framework.generics import get_object_or_404
from rest_framework.request import Request
from rest_framework.response import Response

from api.fields import parse
from api.serializers import catalogue as serializers
from api.views.base import Endpoint, RecordViewSet, RetireMixin, WithdrawMixin, respond
from spools.catalogue.coupons import record_coupon_test
from spools.catalogue.values import properties
from spools.inventory.retiring import bring_back_feedstock, retire_feedstock
from spools.models import CoreKind, CouponTest, Feedstock, Filler, Maker, Polymer
from spools.moisture.taught import summarize_taught


class Polymers(mixins.ListModelMixin, mixins.RetrieveModelMixin, Endpoint):
    """The base plastics. A single polymer includes the sources of its numbers."""

    queryset = Polymer.objects.all()
    filterset_fields = ["name"]

    def get_queryset(self):
        return super().get_queryset().prefetch_related(*["sources"] * (self.action == "retrieve"))

    def get_serializer_class(self):
        is_single = self.action == "retrieve"
        return serializers.PolymerWithSourcesSerializer if is_single else serializers.PolymerSerializer


class Fillers(mixins.ListModelMixin, mixins.RetrieveModelMixin, Endpoint):
    """Fillers mixed into feedstocks, with their hardness."""

    queryset = Filler.objects.all()
    serializer_class = serializers.FillerSerializer


class CoreKinds(mixins.ListModelMixin, mixins.RetrieveModelMixin, Endpoint):
    """Common empty reels: numbers to offer when a spool is received."""

    queryset = CoreKind.objects.all()
    serializer_class = serializers.CoreKindSerializer


class Makers(RecordViewSet):
    """Makers of feedstocks."""

    queryset = Maker.objects.all()
    serializer_class = serializers.MakerSerializer


class Feedstocks(RetireMixin, RecordViewSet):
    """Filament products as bought. Data-sheet values given here override the polymer's."""

    retire_row, bring_back_row = staticmethod(retire_feedstock), staticmethod(bring_back_feedstock)

    queryset = Feedstock.objects.select_related("maker", "polymer", "filler")
    serializer_class = serializers.FeedstockSerializer
    filterset_fields = ["maker", "polymer", "filler", "diameter_mm"]

    @extend_schema(
        responses=serializers.PropertySerializer(many=True),
        filters=False,
        description="Every number of this feedstock with its source.",
    )
    @action(detail=True, pagination_class=None)
    def properties(self, request: Request, pk: str) -> Response:
        numbers = properties(self.get_object())
        return respond(serializers.PropertySerializer, numbers.values(), many=True)

    @extend_schema(
        responses=serializers.FeedstockKnowledgeSerializer,
        filters=False,
        description="The knowledge about this feedstock that its weighed spools pass on to those received from now on.",
    )
    @action(detail=True, pagination_class=None)
    def knowledge(self, request: Request, pk: str) -> Response:
        return respond(
            serializers.FeedstockKnowledgeSerializer, summarize_taught(self.get_object(), timezone.now())
        )


FEEDSTOCK = [OpenApiParameter("feedstock_pk", OpenApiTypes.INT, OpenApiParameter.PATH)]


@extend_schema_view(
    list=extend_schema(parameters=FEEDSTOCK),
    create=extend_schema(parameters=FEEDSTOCK),
    withdraw=extend_schema(parameters=FEEDSTOCK),
)
class CouponTests(WithdrawMixin, mixins.ListModelMixin, Endpoint):
    """Coupon tests of a feedstock, oldest first: they outrank the table that caps the drying temperature."""

    queryset = CouponTest.objects.select_related("withdrawn_by")
    serializer_class = serializers.CouponTestSerializer
    pagination_class = None

    def feedstock(self) -> Feedstock:
        return get_object_or_404(Feedstock, pk=self.kwargs["feedstock_pk"])

    def filter_queryset(self, queryset):
        return super().filter_queryset(queryset).filter(feedstock=self.feedstock())

    @extend_schema(
        request=serializers.RecordCouponTestSerializer, responses={201: serializers.CouponTestSerializer}
    )
    def create(self, request: Request, feedstock_pk: str) -> Response:
        """Record the result of a coupon test: a loop of it after an hour at a temperature."""
        data = parse(serializers.RecordCouponTestSerializer, request.data)
        test = record_coupon_test(self.feedstock(), **data, by=request.user)
        return self.respond_with(test, status=201)
