from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import mixins
from rest_framework.request import Request
from rest_framework.response import Response

from api.fields import parse
from api.filters import FlowCheckFilter
from api.serializers import flow_checks as serializers
from api.views.base import Endpoint, WithdrawMixin, respond
from maintenance.flow.history import evaluate_checks
from maintenance.flow.records import record_flow_check
from maintenance.models import FlowCheck


class FlowChecks(WithdrawMixin, mixins.ListModelMixin, mixins.RetrieveModelMixin, Endpoint):
    """Blobs weighed at rising flow rates, their loss and the usable flow. A mistaken one is withdrawn."""

    queryset = (
        FlowCheck.objects.select_related("toolhead__printer", "spool", "withdrawn_by")
        .prefetch_related("blobs")
        .order_by("-at", "-id")
    )
    serializer_class = serializers.FlowCheckSerializer
    filterset_class = FlowCheckFilter

    def list(self, request: Request) -> Response:
        page = self.paginate_queryset(self.filter_queryset(self.get_queryset()))
        rows = serializers.FlowCheckSerializer(
            page, many=True, context=_evaluate([check.pk for check in page])
        )
        return self.get_paginated_response(rows.data)

    def retrieve(self, request: Request, pk: str) -> Response:
        return self.respond_with(self.get_object())

    @extend_schema(
        request=serializers.RecordFlowCheckSerializer, responses={201: serializers.FlowCheckSerializer}
    )
    def create(self, request: Request) -> Response:
        """Record the masses of the blobs; the spool gives their grams."""
        check = record_flow_check(
            **parse(serializers.RecordFlowCheckSerializer, request.data), by=request.user
        )
        return self.respond_with(check, status=201)

    def respond_with(self, fact: FlowCheck, status: int = 200) -> Response:
        check = self.get_queryset().get(pk=fact.pk)
        return respond(serializers.FlowCheckSerializer, check, status, context=_evaluate([check.pk]))


def _evaluate(pks: list[int]) -> dict[str, Any]:
    """The context of FlowCheckSerializer."""
    return {
        "seen": {
            evaluated.check.pk: evaluated
            for evaluated in evaluate_checks(FlowCheck.objects.filter(pk__in=pks))
        }
    }
