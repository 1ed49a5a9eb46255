from typing import Any

from django.utils.translation import gettext as _
from drf_spectacular.utils import OpenApiResponse, extend_schema
from rest_framework.request import Request
from rest_framework.response import Response

from api.fields import parse
from api.serializers.printer_events import NUMBERS, AskStartSerializer, StartVerdictSerializer
from api.views.base import Endpoint
from api.views.readiness import job_spec
from maintenance.jobs.may_start import StartVerdict, judge_file_start, judge_start
from maintenance.jobs.printer_events import Machines
from maintenance.jobs.reported import find_toolhead
from maintenance.models import Toolhead
from maintenance.readiness.verdict import HOLD
from spools.refusals import refusal

ANSWERS = {
    200: StartVerdictSerializer,
    409: OpenApiResponse(StartVerdictSerializer, description="A hold, asked for with refuse=1."),
}


class MayStart(Endpoint):
    """Whether a job may start now, before its printer heats."""

    idempotent = False
    pagination_class = None
    filter_backends: list = []
    serializer_class = StartVerdictSerializer

    @extend_schema(parameters=[AskStartSerializer], responses=ANSWERS)
    def ask(self, request: Request) -> Response:
        """The verdict with its reasons and remedies. refuse=1: 409 on a hold, so that a host need read no more."""
        return _answer(parse(AskStartSerializer, request.query_params))

    @extend_schema(request=AskStartSerializer, responses=ANSWERS)
    def ask_in_body(self, request: Request) -> Response:
        """The same, with the words in the body."""
        return _answer(parse(AskStartSerializer, request.data))


def _answer(data: dict[str, Any]) -> Response:
    toolhead = _find_toolhead(data)
    plan = {"print_key": data.get("job", ""), "name": data.get("name", "")}
    if "file" in data:
        started = judge_file_start(toolhead, data["file"].lower(), data.get("spool"), **plan)
    else:
        names = (*NUMBERS, "max_flow_mm3_s", "feedstock", "polymer")
        spec = job_spec({name: data[name] for name in names if name in data})
        assert spec is not None
        started = judge_start(toolhead, data.get("spool"), spec, slot=data.get("slot"), **plan)
    return _respond(started, refuse=data.get("refuse", False))


def _respond(started: StartVerdict, *, refuse: bool) -> Response:
    answer = StartVerdictSerializer(started).data
    if not refuse or started.verdict.state != HOLD:
        return Response(answer)
    holds = started.verdict.holds
    errors = [{"field": "", "code": check.statement.code, "message": check.advice} for check in holds]
    return Response({"errors": errors, **answer}, status=409)


def _find_toolhead(data: dict[str, Any]) -> Toolhead:
    given = data.get("toolhead")
    if "printer" in data:
        machines = Machines()
        printer = machines.find_printer(data["printer"])
        return find_toolhead(printer, None if given is None else machines.find_toolhead_id(printer, given))
    number = str(given)
    heads = Toolhead.objects.select_related("printer__place")
    head = (
        heads.filter(pk=int(number)).first()
        if number.isascii() and number.isdecimal() and len(number) < 10
        else None
    )
    if head is None:
        raise refusal(
            "unknown_toolhead",
            _("No toolhead has this id. Give its id, or the printer and the name of the toolhead."),
            "toolhead",
        )
    return head
