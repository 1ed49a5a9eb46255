from drf_spectacular.utils import extend_schema
from rest_framework import mixins
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from api.fields import parse
from api.filters import JobFilter
from api.serializers import jobs as serializers
from api.serializers.costs import JobCostSerializer
from api.views.base import Endpoint, WithdrawMixin, respond
from maintenance.costs.shares import load_job_cost, load_rates
from maintenance.jobs.projects import set_project
from maintenance.jobs.records import Outcome, record_job
from maintenance.jobs.reprints import reprint_job
from maintenance.jobs.steps import change_spool, end_job, start_job
from maintenance.models import Job, JobEvent

JOBS = Job.objects.select_related("printer", "withdrawn_by").prefetch_related(
    "uses__spool", "uses__toolhead__printer", "reservations__spool", "events__withdrawn_by"
)


def respond_with_job(job: Job) -> Response:
    """201 with a new job; 200 with one that the print was planned or recorded as before."""
    stored = JOBS.get(pk=job.pk)
    stored.known_before = job.known_before
    return Response(serializers.JobSerializer(stored).data, status=200 if job.known_before else 201)


class Jobs(WithdrawMixin, mixins.ListModelMixin, mixins.RetrieveModelMixin, Endpoint):
    """Prints from their plan to their end. One that was recorded by mistake is withdrawn; its grams return."""

    queryset = JOBS
    serializer_class = serializers.JobSerializer
    filterset_class = JobFilter

    @extend_schema(
        request=serializers.RecordJobSerializer,
        responses={200: serializers.JobSerializer, 201: serializers.JobSerializer},
    )
    def create(self, request: Request) -> Response:
        """Plan a print, or record one that runs or is over: then the spool gives its grams, the parts wear.

        A print that was recorded before, as by the machine's script, stays one job: 200 with that job.
        """
        data = parse(serializers.RecordJobSerializer, request.data)
        return respond_with_job(record_job(**data, by=request.user))

    @extend_schema(request=serializers.StartJobSerializer)
    @action(detail=True, methods=["post"])
    def start(self, request: Request, pk: str) -> Response:
        """A planned print begins."""
        data = parse(serializers.StartJobSerializer, request.data)
        return self.respond_with(start_job(self.get_object(), **data, by=request.user))

    @extend_schema(request=serializers.ChangeSpoolSerializer)
    @action(detail=True, methods=["post"], url_path="change-spool")
    def change_spool(self, request: Request, pk: str) -> Response:
        """A spool ran out, and the print goes on with another one of the same feedstock, which is loaded by this."""
        data = parse(serializers.ChangeSpoolSerializer, request.data)
        return self.respond_with(change_spool(self.get_object(), data.pop("spool"), **data, by=request.user))

    @extend_schema(request=serializers.EndJobSerializer)
    @action(detail=True, methods=["post"])
    def end(self, request: Request, pk: str) -> Response:
        """The print is over: finished, failed or stopped. Its spools give what it took, the parts wear."""
        data = parse(serializers.EndJobSerializer, request.data)
        outcome = Outcome(data.pop("parts", None), data.pop("good_parts", None), data.pop("reason", ""))
        kind = data.pop("result")
        return self.respond_with(end_job(self.get_object(), kind, outcome=outcome, **data, by=request.user))

    @extend_schema(request=serializers.ReprintSerializer, responses={201: serializers.JobSerializer})
    @action(detail=True, methods=["post"])
    def reprint(self, request: Request, pk: str) -> Response:
        """Plan or record the same print once more, with the spools of its materials that are loaded now."""
        data = parse(serializers.ReprintSerializer, request.data)
        return respond_with_job(reprint_job(self.get_object(), **data, by=request.user))

    @extend_schema(request=serializers.ProjectSerializer)
    @action(detail=True, methods=["post"])
    def project(self, request: Request, pk: str) -> Response:
        """State the project or customer that it counts for in reports."""
        data = parse(serializers.ProjectSerializer, request.data)
        return self.respond_with(set_project(self.get_object(), data["project"]))

    @extend_schema(responses=JobCostSerializer)
    @action(detail=True)
    def cost(self, request: Request, pk: str) -> Response:
        """What it cost, by present prices and rates; nothing before it is over."""
        cost = load_job_cost(self.get_object())
        return respond(JobCostSerializer, {"currency": load_rates().currency, "cost": cost})


class JobEvents(WithdrawMixin, mixins.ListModelMixin, mixins.RetrieveModelMixin, Endpoint):
    """The steps of jobs. One that is withdrawn leaves the job as it was before."""

    queryset = JobEvent.objects.select_related("withdrawn_by")
    serializer_class = serializers.JobEventSerializer
    filterset_fields = ["job", "kind"]
