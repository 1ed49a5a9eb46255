from drf_spectacular.utils import extend_schema
from rest_framework import mixins
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from api.fields import parse
from api.filters import TroubleFilter
from api.serializers import trouble as serializers
from api.views.base import Endpoint, respond
from maintenance.models import TroubleReport
from maintenance.trouble.reports import record_outcome, report_job_trouble, report_trouble


class Troubles(mixins.ListModelMixin, mixins.RetrieveModelMixin, Endpoint):
    """Failed prints: the consumable causes in the order of the evidence, and the confirmed cause."""

    queryset = TroubleReport.objects.select_related("toolhead__printer", "spool").prefetch_related("outcomes")
    serializer_class = serializers.TroubleSerializer
    filterset_class = TroubleFilter

    @extend_schema(
        request=serializers.ReportTroubleSerializer, responses={201: serializers.TroubleSerializer}
    )
    def create(self, request: Request) -> Response:
        """Report the signs of a failed print: the causes come in order, each with its reasons."""
        data = parse(serializers.ReportTroubleSerializer, request.data)
        symptoms = data.pop("symptoms")
        if "job" in data:
            report = report_job_trouble(data.pop("job"), symptoms, **data, by=request.user)
        else:
            report = report_trouble(
                data.pop("toolhead"), data.pop("spool"), symptoms, **data, by=request.user
            )
        return self._report(report, status=201)

    @extend_schema(request=serializers.RecordOutcomeSerializer, responses=serializers.TroubleSerializer)
    @action(detail=True, methods=["post"])
    def outcome(self, request: Request, pk: str) -> Response:
        """Confirm the cause; a later one replaces an earlier one."""
        report = self.get_object()
        data = parse(serializers.RecordOutcomeSerializer, request.data)
        record_outcome(report, data.pop("cause"), **data, by=request.user)
        return self._report(report)

    def _report(self, report: TroubleReport, status: int = 200) -> Response:
        return respond(serializers.TroubleSerializer, self.get_queryset().get(pk=report.pk), status)
