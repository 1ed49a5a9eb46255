"""Every refusal leaves in one shape: ``{"errors": [{"field": ..., "message": ...}]}``.

``field`` is the dotted name of the input that was wrong (``readings.3.rh_pct``), or empty.
"""

from collections.abc import Iterator
from typing import Any

from django.core.exceptions import ValidationError
from django.db import IntegrityError
from django.db.models import ProtectedError
from django.http import Http404
from rest_framework import exceptions, status
from rest_framework.response import Response
from rest_framework.views import exception_handler, set_rollback

from spools.idempotency import KeyReused

CLASH = "This clashes with something recorded at the same moment. Look at the present state and try again."
NOTHING_THERE = "There is nothing with this id here. Look at the list without an id."
IN_USE = "Other records refer to this, therefore it stays."


class TooLarge(exceptions.APIException):
    status_code = status.HTTP_413_REQUEST_ENTITY_TOO_LARGE
    default_detail = "The request is too large. Send it in smaller parts."
    default_code = "too_large"


def handler(error: Exception, context: dict[str, Any]) -> Response | None:
    """REST_FRAMEWORK's EXCEPTION_HANDLER. None (a 500) only for errors that are ours."""
    if isinstance(error, KeyReused):
        return _refused(_of_django(error), status.HTTP_422_UNPROCESSABLE_ENTITY)
    if isinstance(error, ValidationError):
        set_rollback()
        return _refused(_of_django(error), status.HTTP_400_BAD_REQUEST)
    if isinstance(error, (ProtectedError, IntegrityError)):
        set_rollback()
        message = IN_USE if isinstance(error, ProtectedError) else CLASH
        return _refused([("", message)], status.HTTP_409_CONFLICT)
    if isinstance(error, Http404):
        error = exceptions.NotFound(NOTHING_THERE)
    elif isinstance(error, exceptions.UnsupportedMediaType):
        taken = " or ".join(parser.media_type for parser in context["view"].get_parsers())
        error = exceptions.UnsupportedMediaType(
            "", f"Send the body as {taken}, and say so in the header Content-Type."
        )
    response = exception_handler(error, context)
    if response is None:
        return None
    detail = error.detail if isinstance(error, exceptions.ValidationError) else response.data["detail"]
    response.data = _body(_flat(detail))
    return response


def _of_django(error: ValidationError) -> Iterator[tuple[str, str]]:
    return _flat(error.message_dict if hasattr(error, "error_dict") else error.messages)


def _flat(detail: Any, field: str = "") -> Iterator[tuple[str, str]]:
    """(field, message) of every message in nested dicts and lists."""
    if isinstance(detail, dict):
        for name, inner in detail.items():
            own = "" if name in ("__all__", "non_field_errors") else str(name)
            yield from _flat(inner, ".".join(filter(None, [field, own])))
    elif isinstance(detail, (list, tuple)):
        for number, inner in enumerate(detail):
            nested = isinstance(inner, (dict, list))
            yield from _flat(inner, ".".join(filter(None, [field, str(number)])) if nested else field)
    else:
        yield field, str(detail)


def _refused(errors: Any, code: int) -> Response:
    return Response(_body(errors), status=code)


def _body(errors: Any) -> dict[str, list[dict[str, str]]]:
    return {"errors": [{"field": field, "message": message} for field, message in errors]}
