from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import mixins
from rest_framework.decorators import action
from rest_framework.generics import get_object_or_404
from rest_framework.request import Request
from rest_framework.response import Response

from api.fields import given
from api.serializers import catalogue as shapes
from api.views.base import Endpoint, Kept, shown
from spools.catalogue.coupons import record_coupon_test, take_back_coupon_test
from spools.catalogue.values import properties
from spools.models import CoreKind, Feedstock, Filler, Maker, Polymer


class Polymers(mixins.ListModelMixin, mixins.RetrieveModelMixin, Endpoint):
    """The base plastics. One of them comes with the sources of its numbers."""

    queryset = Polymer.objects.all()
    filterset_fields = ["name"]

    def get_queryset(self):
        return super().get_queryset().prefetch_related(*["sources"] * (self.action == "retrieve"))

    def get_serializer_class(self):
        one = self.action == "retrieve"
        return shapes.PolymerWithSourcesSerializer if one else shapes.PolymerSerializer


class Fillers(mixins.ListModelMixin, mixins.RetrieveModelMixin, Endpoint):
    """What is mixed into feedstocks, with its hardness."""

    queryset = Filler.objects.all()
    serializer_class = shapes.FillerSerializer


class CoreKinds(mixins.ListModelMixin, mixins.RetrieveModelMixin, Endpoint):
    """Common empty reels: numbers to offer when a spool is received."""

    queryset = CoreKind.objects.all()
    serializer_class = shapes.CoreKindSerializer


class Makers(Kept):
    """Who makes feedstocks."""

    queryset = Maker.objects.all()
    serializer_class = shapes.MakerSerializer


class Feedstocks(Kept):
    """Filament products as bought. Data-sheet values given here override the polymer's."""

    queryset = Feedstock.objects.select_related("maker", "polymer", "filler")
    serializer_class = shapes.FeedstockSerializer
    filterset_fields = ["maker", "polymer", "filler", "diameter_mm"]

    @extend_schema(
        responses=shapes.PropertySerializer(many=True),
        filters=False,
        description="Every number of this feedstock with where it comes from.",
    )
    @action(detail=True, pagination_class=None)
    def properties(self, request: Request, pk: str) -> Response:
        known = properties(self.get_object())
        return shown(shapes.PropertySerializer, known.values(), many=True)

    @extend_schema(responses=shapes.CouponTestSerializer(many=True), filters=False)
    @action(detail=True, url_path="coupon-tests", pagination_class=None)
    def coupon_tests(self, request: Request, pk: str) -> Response:
        """Its coupon tests, oldest first: they outrank the table that caps the drying temperature."""
        return shown(shapes.CouponTestSerializer, self.get_object().coupon_tests.all(), many=True)

    @extend_schema(request=shapes.RecordCouponTestSerializer, responses={201: shapes.CouponTestSerializer})
    @coupon_tests.mapping.post
    def record_coupon_test(self, request: Request, pk: str) -> Response:
        """Keep what a loop of it was like after an hour at a temperature."""
        asked = given(shapes.RecordCouponTestSerializer, request.data)
        test = record_coupon_test(self.get_object(), **asked, by=request.user)
        return shown(shapes.CouponTestSerializer, test, status=201)

    @extend_schema(
        parameters=[OpenApiParameter("test", OpenApiTypes.INT, OpenApiParameter.PATH)],
        request=None,
        responses=shapes.CouponTestSerializer,
    )
    @action(detail=True, methods=["post"], url_path="coupon-tests/(?P<test>[^/.]+)/take-back")
    def take_back_coupon_test(self, request: Request, pk: str, test: str) -> Response:
        """It was recorded by mistake: it stays, and caps heed it no more."""
        wrong = get_object_or_404(self.get_object().coupon_tests, pk=test)
        return shown(shapes.CouponTestSerializer, take_back_coupon_test(wrong, by=request.user))
