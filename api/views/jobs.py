from drf_spectacular.utils import extend_schema
from rest_framework import mixins
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from api.fields import given
from api.filters import JobFilter
from api.serializers import jobs as shapes
from api.views.base import Endpoint, shown
from maintenance.jobs.records import record_job, withdraw_job
from maintenance.models import Job


class Jobs(mixins.ListModelMixin, mixins.RetrieveModelMixin, Endpoint):
    """Prints that were made. One that was recorded by mistake is withdrawn; its grams return."""

    queryset = Job.objects.select_related("printer").prefetch_related(
        "uses__spool", "uses__toolhead__printer"
    )
    serializer_class = shapes.JobSerializer
    filterset_class = JobFilter

    @extend_schema(request=shapes.RecordJobSerializer, responses={201: shapes.JobSerializer})
    def create(self, request: Request) -> Response:
        """Record a print: the spool gives its grams, the parts wear."""
        job = record_job(**given(shapes.RecordJobSerializer, request.data), by=request.user)
        return self._job(job, status=201)

    @extend_schema(request=shapes.WithdrawSerializer, responses=shapes.JobSerializer)
    @action(detail=True, methods=["post"])
    def withdraw(self, request: Request, pk: str) -> Response:
        """It was a mistake: the grams return to the spool, the wear is taken back."""
        job = self.get_object()
        withdraw_job(job, **given(shapes.WithdrawSerializer, request.data), by=request.user)
        return self._job(job)

    def _job(self, job: Job, status: int = 200) -> Response:
        return shown(shapes.JobSerializer, self.get_queryset().get(pk=job.pk), status)
