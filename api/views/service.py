from drf_spectacular.utils import extend_schema
from rest_framework import mixins
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from api.fields import parse
from api.filters import ServiceFilter
from api.serializers import service as serializers
from api.views.base import Endpoint, RecordViewSet, WithdrawMixin, respond
from maintenance.models import ServiceEntry, ServiceKind, Toolhead
from maintenance.service.intervals import load_service_statuses
from maintenance.service.records import record_service


class ServiceKinds(RecordViewSet):
    """Work that machines need again and again, with its interval and the source of that."""

    queryset = ServiceKind.objects.all()
    serializer_class = serializers.ServiceKindSerializer
    filterset_fields = ["work", "in_use"]


class Services(WithdrawMixin, mixins.ListModelMixin, mixins.RetrieveModelMixin, Endpoint):
    """Services that were done. One that was not done is withdrawn; the count goes on as before."""

    queryset = ServiceEntry.objects.select_related("kind", "withdrawn_by")
    serializer_class = serializers.ServiceEntrySerializer
    filterset_class = ServiceFilter

    @extend_schema(
        request=serializers.RecordServiceSerializer, responses={201: serializers.ServiceEntrySerializer}
    )
    def create(self, request: Request) -> Response:
        """Record a service that was done: its count starts again."""
        data = parse(serializers.RecordServiceSerializer, request.data)
        entry = record_service(data.pop("kind"), **data, by=request.user)
        return respond(serializers.ServiceEntrySerializer, entry, status=201)

    @extend_schema(responses=serializers.ServiceStatusSerializer(many=True), filters=False)
    @action(detail=False, pagination_class=None)
    def due(self, request: Request) -> Response:
        """The use of every machine since each of its services, in the order of their due shares."""
        toolheads = Toolhead.objects.in_use().select_related("printer")
        statuses = sorted(load_service_statuses(toolheads), key=lambda status: -status.since.share)
        return respond(serializers.ServiceStatusSerializer, statuses, many=True)
