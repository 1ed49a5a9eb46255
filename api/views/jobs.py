from drf_spectacular.utils import extend_schema
from rest_framework import mixins
from rest_framework.request import Request
from rest_framework.response import Response

from api.fields import parse
from api.filters import JobFilter
from api.serializers import jobs as serializers
from api.views.base import Endpoint, WithdrawMixin
from maintenance.jobs.records import record_job
from maintenance.models import Job


class Jobs(WithdrawMixin, mixins.ListModelMixin, mixins.RetrieveModelMixin, Endpoint):
    """Prints that were made. One that was recorded by mistake is withdrawn; its grams return."""

    queryset = Job.objects.select_related("printer", "withdrawn_by").prefetch_related(
        "uses__spool", "uses__toolhead__printer"
    )
    serializer_class = serializers.JobSerializer
    filterset_class = JobFilter

    @extend_schema(request=serializers.RecordJobSerializer, responses={201: serializers.JobSerializer})
    def create(self, request: Request) -> Response:
        """Record a print: the spool gives its grams, the parts wear."""
        job = record_job(**parse(serializers.RecordJobSerializer, request.data), by=request.user)
        return self.respond_with(job, status=201)
