import json
from typing import Any

from django.utils.translation import gettext as _
from drf_spectacular.utils import extend_schema
from rest_framework import mixins
from rest_framework.request import Request
from rest_framework.response import Response

from access.models import Token
from api.errors import list_errors
from api.serializers import printer_events as serializers
from api.views.base import Endpoint, WithdrawMixin, respond
from maintenance.jobs.printer_events import Reported, record_events
from maintenance.models import PrinterEvent
from spools.refusals import refusal

# Fields of every event; all others are its values.
COMMON = ("id", "printer", "job", "kind", "at", "sent_at")
MOST_REFUSED_BYTES = 4000


class PrinterEvents(WithdrawMixin, mixins.ListModelMixin, mixins.RetrieveModelMixin, Endpoint):
    """Events of prints as printers' hosts report them. The jobs follow, whatever the order in which they come."""

    queryset = PrinterEvent.objects.select_related("withdrawn_by", "recorded_by")
    serializer_class = serializers.PrinterEventSerializer
    filterset_fields = ["printer", "print_key", "kind", "state", "job"]
    # Events have ids of their own, and each its own result.
    idempotent = False

    @extend_schema(
        request=serializers.ReportEventSerializer(many=True),
        responses={200: serializers.EventResultsSerializer},
    )
    def create(self, request: Request) -> Response:
        """One event or a list of at most 1,000. Each has its own result; one that is refused hinders no other."""
        events = request.data if isinstance(request.data, list) else [request.data]
        if not 0 < len(events) <= serializers.MOST_EVENTS or not all(isinstance(row, dict) for row in events):
            raise refusal(
                "no_events",
                _("Send one event or a list of 1 to {most}.").format(most=serializers.MOST_EVENTS),
            )
        token = request.auth if isinstance(request.auth, Token) else None
        results = record_events([_read(row) for row in events], by=request.user, token=token)
        return respond(serializers.EventResultsSerializer, {"results": results})


def _read(sent: dict[str, Any]) -> Reported:
    """An event as it was sent; one of a wrong form has its errors, and so much of it as can be stored."""
    parsed = serializers.ReportEventSerializer(data=sent)
    if not parsed.is_valid():
        return _read_wrong(sent, list_errors(parsed.errors))
    data = parsed.validated_data
    values = {name: value for name, value in data.items() if name not in COMMON}
    if "start" in values:
        values["start"] = values["start"].isoformat()
    return Reported(
        data["id"], data["printer"], data["job"], data["kind"], data["at"], data.get("sent_at"), values
    )


def _read_wrong(sent: dict[str, Any], errors: list[dict[str, str]]) -> Reported:
    def text(name: str, longest: int = 100) -> str:
        value = sent.get(name)
        return value.strip()[:longest] if isinstance(value, str) and "\x00" not in value else ""

    shown = json.dumps(sent, default=str)[:MOST_REFUSED_BYTES].replace("\\u0000", "")
    printer = sent.get("printer")
    return Reported(
        text("id"),
        printer if isinstance(printer, (int, str)) else "",
        text("job"),
        text("kind", 20),
        None,
        values={"sent": shown},
        errors=errors[:20],
    )
