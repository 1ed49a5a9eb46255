"""Base of all endpoints: JSON in and out, a token, pages."""

import json
from collections.abc import Callable
from functools import partial
from typing import Any

from django.utils.translation import gettext as _
from drf_spectacular.utils import extend_schema
from rest_framework import mixins, viewsets
from rest_framework.decorators import action
from rest_framework.exceptions import ValidationError
from rest_framework.negotiation import DefaultContentNegotiation
from rest_framework.pagination import LimitOffsetPagination
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.serializers import BaseSerializer

from api.fields import parse
from api.parsers import JSONParser
from api.renderers import CsvRenderer
from api.schema import AutoSchema
from api.serializers.facts import WithdrawSerializer
from spools.edits.idempotency import MAX_KEY_LENGTH, KeyedRequest, answer_once
from spools.edits.versions import EditedMeanwhile
from spools.facts import withdraw
from spools.refusals import refusal

# The rows of a list as CSV, which comes whole.
MOST_CSV_ROWS = 50_000


class Pages(LimitOffsetPagination):
    """Parts of a list. A limit or offset that is no whole number is refused; a limit above max_limit is lowered."""

    max_limit = 500

    def get_limit(self, request: Request) -> int | None:
        """A page; of a list as CSV all of it, unless a limit is given."""
        if request.accepted_renderer.format == CsvRenderer.format and "limit" not in request.query_params:
            return MOST_CSV_ROWS
        self._require_whole(request, "limit", 1)
        return super().get_limit(request)

    def get_offset(self, request: Request) -> int:
        self._require_whole(request, "offset", 0)
        return super().get_offset(request)

    def _require_whole(self, request: Request, name: str, least: int) -> None:
        text = request.query_params.get(name, str(least))
        if not text.isascii() or not text.isdecimal() or len(text) > 100 or int(text) < least:
            raise ValidationError({name: _("Give a whole number from {least} on.").format(least=least)})

    def get_schema_operation_parameters(self, view: Any) -> list[dict[str, Any]]:
        parameters = super().get_schema_operation_parameters(view)
        for parameter in parameters:
            parameter["schema"]["minimum"] = int(parameter["name"] == "limit")
        return parameters


class Negotiation(DefaultContentNegotiation):
    """JSON where an unknown format is asked for; the endpoint refuses it. The library says that nothing is there."""

    def filter_renderers(self, renderers: Any, format: str) -> list[Any]:
        return [renderer for renderer in renderers if renderer.format == format] or renderers[:1]


class Endpoint(viewsets.GenericViewSet):
    """Base of every endpoint. Rows are added and corrected, never deleted."""

    parser_classes = [JSONParser]
    renderer_classes = [JSONRenderer]
    content_negotiation_class = Negotiation
    pagination_class: type[Pages] | None = Pages
    schema = AutoSchema()
    http_method_names = ["get", "post", "patch", "head", "options"]
    # Whether a POST with an Idempotency-Key is carried out once; not for long computations without facts.
    idempotent = True

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        super().initial(request, *args, **kwargs)
        if (
            self.action
            and request.query_params.get("format", known := request.accepted_renderer.format) != known
        ):
            known_formats = " or ".join(renderer.format for renderer in self.get_renderers())
            raise ValidationError({"format": f"Give {known_formats}, or leave this word out."})
        key, handlers = request.headers.get("Idempotency-Key"), self.__dict__
        if key is not None and request.method == "POST" and self.idempotent and "post" in handlers:
            handlers["post"] = partial(self._answer_once, key, handlers["post"])

    def _answer_once(self, key: str, handler: Any, request: Request, *args: Any, **kwargs: Any) -> Response:
        """The answer of the handler; that of the first request where one with this key was sent before."""
        if not 0 < len(key) <= MAX_KEY_LENGTH:
            raise refusal(
                "key_length",
                _("Give an Idempotency-Key of 1 to {most} characters.").format(most=MAX_KEY_LENGTH),
            )
        sent = KeyedRequest(request.user, request.path, key, request.data)
        return answer_once(
            sent,
            lambda: handler(request, *args, **kwargs),
            lambda response: (response.status_code, JSONRenderer().render(response.data).decode()),
            lambda status, body: Response(json.loads(body), status),
        )

    def get_renderers(self) -> list[Any]:
        """JSON; lists as CSV, too."""
        renderers = super().get_renderers()
        return [*renderers, CsvRenderer()] if getattr(self, "action", "") == "list" else renderers


class VersionMixin:
    """Rows that people edit. Their version is the ETag; a change with If-Match rests on the version it names."""

    def change_if_matching(self: Any, request: Request, change: Callable[[Any], Response]) -> Response:
        """The answer of change(row), or 412 with the row as it is stored where that is another version."""
        row, condition = self.get_object(), request.headers.get("If-Match")
        if condition is not None and not _matches(condition, row):
            return self._edited_meanwhile(row)
        try:
            return change(row)
        except EditedMeanwhile as error:
            return self._edited_meanwhile(error.present)

    def represent(self: Any, row: Any) -> Any:
        """The content of an answer: a row as it is stored now."""
        return self.get_serializer(self.get_queryset().get(pk=row.pk)).data

    def _edited_meanwhile(self, row: Any) -> Response:
        errors = [{"field": "", "code": "edited_meanwhile", "message": str(EditedMeanwhile(row).message)}]
        return Response({"errors": errors, "present": self.represent(row)}, status=412)

    def finalize_response(
        self: Any, request: Request, response: Response, *args: Any, **kwargs: Any
    ) -> Response:
        """The version of a row is its ETag."""
        data = response.data if isinstance(response.data, dict) else {}
        version = data.get("present", data).get("version")
        if version is not None:
            response["ETag"] = f'"{version}"'
        return super().finalize_response(request, response, *args, **kwargs)  # type: ignore[misc]


class RecordViewSet(
    VersionMixin,
    mixins.ListModelMixin,
    mixins.RetrieveModelMixin,
    mixins.CreateModelMixin,
    mixins.UpdateModelMixin,
    Endpoint,
):
    """Rows that people add and correct. Answers show the stored row with its related rows."""

    def perform_create(self, serializer: BaseSerializer) -> None:
        serializer.save()
        serializer.instance = self.get_queryset().get(pk=serializer.instance.pk)

    def perform_update(self, serializer: BaseSerializer) -> None:
        self.perform_create(serializer)

    def update(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        update = super().update
        return self.change_if_matching(request, lambda row: update(request, *args, **kwargs))


def _matches(condition: str, row: Any) -> bool:
    """Whether an If-Match header names the present version."""
    return bool({"*", f'"{row.version}"'} & {tag.strip() for tag in condition.split(",")})


class WithdrawMixin:
    """Facts that were recorded by mistake are withdrawn: they stay on record and no longer count."""

    @extend_schema(request=WithdrawSerializer)
    @action(detail=True, methods=["post"])
    def withdraw(self: Any, request: Request, *args: Any, **kwargs: Any) -> Response:
        """Withdraw it: a mistake, or no longer wanted. Derived values are computed without it."""
        reason = parse(WithdrawSerializer, request.data)["reason"]
        fact = withdraw(self.get_object(), by=request.user, reason=reason)
        return self.respond_with(fact)

    def respond_with(self: Any, fact: Any, status: int = 200) -> Response:
        """The stored fact."""
        return Response(self.get_serializer(self.get_queryset().get(pk=fact.pk)).data, status=status)


class RetireMixin:
    """Rows that go out of use and may come back. They stay in history and are offered no more."""

    retire_row: Callable[[Any], Any]
    bring_back_row: Callable[[Any], Any]

    @extend_schema(request=None)
    @action(detail=True, methods=["post"])
    def retire(self: Any, request: Request, *args: Any, **kwargs: Any) -> Response:
        """Take it out of use: it is offered no more, with its history as it was."""
        type(self).retire_row(self.get_object())
        return Response(self.represent(self.get_object()))

    @extend_schema(request=None)
    @action(detail=True, methods=["post"], url_path="bring-back")
    def bring_back(self: Any, request: Request, *args: Any, **kwargs: Any) -> Response:
        """Use it again."""
        type(self).bring_back_row(self.get_object())
        return Response(self.represent(self.get_object()))


def respond(serializer: type[BaseSerializer], facts: Any, status: int = 200, **kwargs: Any) -> Response:
    return Response(serializer(facts, **kwargs).data, status=status)
