from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import mixins
from rest_framework.decorators import action
from rest_framework.parsers import MultiPartParser
from rest_framework.request import Request
from rest_framework.response import Response

from api.fields import parse
from api.serializers import job_files as serializers
from api.serializers.jobs import JobSerializer
from api.views.base import Endpoint, respond
from api.views.jobs import respond_with_job
from maintenance.jobs.files import (
    add_job_file,
    delete_content,
    facts_of,
    read_again,
    stop_reading,
    store_content,
)
from maintenance.jobs.from_file import judge_on_all_machines, judge_on_machine, record_file_job
from maintenance.jobs.materials import state_materials
from maintenance.jobs.slots import find_spools_in_slots
from maintenance.models import JobFile


class JobFiles(mixins.ListModelMixin, Endpoint):
    """Job files (G-code): their filament, time and heat, where they may be printed, and the record of their prints."""

    queryset = JobFile.objects.all()
    serializer_class = serializers.JobFileSerializer
    filterset_fields = ["state"]
    http_method_names = [*Endpoint.http_method_names, "delete"]

    def get_queryset(self):
        return super().get_queryset().defer("facts") if self.action == "list" else super().get_queryset()

    def get_parsers(self):
        """The file comes as a form's; everything else is JSON."""
        return [MultiPartParser()] if self._comes_as_form() else super().get_parsers()

    def _comes_as_form(self) -> bool:
        return self.action_map.get("post") == "create"

    @extend_schema(
        request={"multipart/form-data": serializers.AddJobFileSerializer},
        responses={201: serializers.JobFileFactsSerializer},
    )
    def create(self, request: Request) -> Response:
        """Add a file. It is read in the background: get it again until its state is read or refused."""
        data = parse(serializers.AddJobFileSerializer, request.data)
        file = data.pop("file")
        stored = store_content(file.name, file.chunks(), request.user)
        return self._file(add_job_file(stored, **data, by=request.user), 201)

    @extend_schema(responses=serializers.JobFileFactsSerializer)
    def retrieve(self, request: Request, pk: str) -> Response:
        """The facts of the file; empty until it has been read."""
        return self._file(self.get_object())

    @extend_schema(request=None, responses=serializers.JobFileFactsSerializer)
    @action(detail=True, methods=["post"])
    def stop(self, request: Request, pk: str) -> Response:
        """Stop reading it."""
        file = self.get_object()
        stop_reading(file)
        return self._file(file)

    @extend_schema(request=None, responses={200: serializers.JobFileFactsSerializer})
    @action(detail=True, methods=["delete"])
    def content(self, request: Request, pk: str) -> Response:
        """Delete its stored content, to make room for others; its facts and prints stay."""
        return self._file(delete_content(self.get_object(), by=request.user))

    @extend_schema(request=serializers.ReadAgainSerializer, responses=serializers.JobFileFactsSerializer)
    @action(detail=True, methods=["post"])
    def read(self, request: Request, pk: str) -> Response:
        """Read it again: for other filament, for another machine, or another job of a container."""
        return self._file(
            read_again(self.get_object(), **parse(serializers.ReadAgainSerializer, request.data))
        )

    @extend_schema(request=serializers.StateMaterialSerializer, responses=serializers.JobFileFactsSerializer)
    @action(detail=True, methods=["post"])
    def material(self, request: Request, pk: str) -> Response:
        """State the material that a tool of the file was made for: spools of others are held."""
        file, data = self.get_object(), parse(serializers.StateMaterialSerializer, request.data)
        material = data.get("feedstock") or data.get("polymer")
        state_materials(file, {data.get("tool", 0): material}, by=request.user)
        return self._file(file)

    @extend_schema(
        parameters=[serializers.AskFileReadinessSerializer],
        responses=serializers.MachineVerdictSerializer(many=True),
    )
    @action(detail=True, pagination_class=None, filter_backends=[])
    def readiness(self, request: Request, pk: str) -> Response:
        """The verdict on each machine with the spools that are loaded there, the best first; or from these slots."""
        file, data = self.get_object(), parse(serializers.AskFileReadinessSerializer, request.query_params)
        if "slots" in data:
            spools = find_spools_in_slots(data["printer"], data["slots"])
            machines = [judge_on_machine(file, data["printer"], spools, data.get("changes"))]
        else:
            machines = judge_on_all_machines(file, data.get("changes"))
        return respond(serializers.MachineVerdictSerializer, machines, many=True)

    @extend_schema(
        request=serializers.RecordFileJobSerializer, responses={200: JobSerializer, 201: JobSerializer}
    )
    @action(detail=True, methods=["post"])
    def record(self, request: Request, pk: str) -> Response:
        """Plan its print, or record it, whole or up to the stop; then each spool gives its grams."""
        data = parse(serializers.RecordFileJobSerializer, request.data)
        if "slots" in data:
            data["spools"] = find_spools_in_slots(data["printer"], data.pop("slots"))
        return respond_with_job(record_file_job(self.get_object(), **data, by=request.user))

    def _file(self, file: JobFile, status: int = 200) -> Response:
        file = JobFile.objects.get(pk=file.pk)
        context: dict[str, Any] = {"facts": facts_of(file) if file.state == JobFile.State.READ else None}
        return respond(serializers.JobFileFactsSerializer, file, status, context=context)
