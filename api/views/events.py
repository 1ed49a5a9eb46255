from django.utils.translation import gettext as _
from drf_spectacular.utils import OpenApiResponse, extend_schema
from rest_framework.exceptions import APIException
from rest_framework.request import Request
from rest_framework.response import Response

from api.fields import parse
from api.schema import ErrorsSerializer
from api.serializers.events import AskEventsSerializer, EventsSerializer
from api.views.base import Endpoint
from maintenance.events.feed import CursorGone, read_events
from maintenance.events.wording import build_body, name_subjects, write_sentence
from maintenance.models import ShopEvent

GONE = "The log does not go back to this cursor, or never had it."


class Gone(APIException):
    status_code = 410


class Events(Endpoint):
    """The log of the shop: what happened, in the order in which it was recorded."""

    serializer_class = EventsSerializer
    pagination_class = None
    filter_backends: list = []

    @extend_schema(
        parameters=[AskEventsSerializer],
        responses={200: EventsSerializer, 410: OpenApiResponse(ErrorsSerializer, GONE)},
    )
    def show(self, request: Request) -> Response:
        """Events after a cursor, the oldest first. Each comes once, whatever is recorded meanwhile."""
        query = {name: value for name, value in request.query_params.items() if name != "format"}
        asked = parse(AskEventsSerializer, query)
        kinds = asked.get("kinds", ShopEvent.Kind.values)
        try:
            part = read_events(asked.get("after"), kinds, asked["limit"])
        except CursorGone as gone:
            raise Gone(_explain(gone), code=f"cursor_{gone.reason}") from None
        bodies = map(build_body, part.events, name_subjects(part.events))
        return Response(
            {
                "events": [body | {"sentence": write_sentence(body)} for body in bodies],
                "next": part.following,
                "more": part.more,
            }
        )


def _explain(gone: CursorGone) -> str:
    if gone.reason == "too_old":
        return _(
            "The events after this cursor have been deleted. Read the present state, then go on with after=latest."
        )
    return _(
        "This log never had this cursor: it is of another shop, or a backup was restored. Read the present state, then "
        "go on with after=latest."
    )
