"""Every refusal has one shape: ``{"errors": [{"field": ..., "code": ..., "message": ...}]}``.

``field`` is the dotted name of the input that was wrong (``readings.3.rh_pct``), or empty. ``code`` names the reason
for scripts.
"""

from collections.abc import Iterable, Iterator
from typing import Any, NamedTuple

from django.core.exceptions import ValidationError
from django.db import IntegrityError, OperationalError
from django.db.models import ProtectedError
from django.http import Http404
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from rest_framework import exceptions, status
from rest_framework.response import Response
from rest_framework.views import exception_handler, set_rollback

from access.hashers import MustWait
from spools.edits.idempotency import KeyReused
from spools.refusals import list_reasons

INVALID = "invalid"
CLASH = gettext_lazy(
    "This clashes with something recorded at the same moment. Look at the present state and try again."
)
BUSY = gettext_lazy("Others write to the database at this moment. Nothing was stored: send it again.")
NOTHING_THERE = gettext_lazy("There is nothing with this id here. Look at the list without an id.")
IN_USE = gettext_lazy("Other records refer to this, therefore it stays.")


def handler(error: Exception, context: dict[str, Any]) -> Response | None:
    """REST_FRAMEWORK's EXCEPTION_HANDLER. None (a 500) only for errors that are ours."""
    if isinstance(error, KeyReused):
        return _refusal_response(_reasons_of_django(error), status.HTTP_422_UNPROCESSABLE_ENTITY)
    if isinstance(error, MustWait):
        answer = _refusal_response([Reason("", "must_wait", str(error))], error.status)
        answer["Retry-After"] = str(error.wait_s)
        return answer
    if isinstance(error, ValidationError):
        set_rollback()
        return _refusal_response(_reasons_of_django(error), status.HTTP_400_BAD_REQUEST)
    if isinstance(error, (ProtectedError, IntegrityError)):
        set_rollback()
        message = IN_USE if isinstance(error, ProtectedError) else CLASH
        return _refusal_response([Reason("", "conflict", str(message))], status.HTTP_409_CONFLICT)
    # SQLite lets one write at a time and makes the others wait; this one has waited in vain.
    if isinstance(error, OperationalError) and "locked" in str(error):
        set_rollback()
        answer = _refusal_response([Reason("", "busy", str(BUSY))], status.HTTP_503_SERVICE_UNAVAILABLE)
        answer["Retry-After"] = "5"
        return answer
    if isinstance(error, Http404):
        error = exceptions.NotFound(NOTHING_THERE)
    elif isinstance(error, exceptions.UnsupportedMediaType):
        accepted = " / ".join(parser.media_type for parser in context["view"].get_parsers())
        error = exceptions.UnsupportedMediaType(
            "",
            _("Send the body as {accepted}, and name that in the header Content-Type.").format(
                accepted=accepted
            ),
        )
    response = exception_handler(error, context)
    if response is None:
        return None
    detail = error.detail if isinstance(error, exceptions.ValidationError) else response.data["detail"]
    response.data = _body(_flatten(detail))
    return response


class Reason(NamedTuple):
    """One reason of a refusal. The code stays the same when the wording of the message changes."""

    field: str
    code: str
    message: str


def _reasons_of_django(error: ValidationError) -> Iterator[Reason]:
    return (Reason(**reason) for reason in list_reasons(error))


def _field_name(name: Any) -> str:
    return "" if name in ("__all__", "non_field_errors") else str(name)


def _flatten(detail: Any, field: str = "") -> Iterator[Reason]:
    """Every reason in the nested dicts and lists of a serializer's errors."""
    if isinstance(detail, dict):
        for name, inner in detail.items():
            yield from _flatten(inner, ".".join(filter(None, [field, _field_name(name)])))
    elif isinstance(detail, (list, tuple)):
        for number, inner in enumerate(detail):
            nested = isinstance(inner, (dict, list))
            yield from _flatten(inner, ".".join(filter(None, [field, str(number)])) if nested else field)
    else:
        yield Reason(field, str(getattr(detail, "code", None) or INVALID), str(detail))


def list_errors(errors: Any) -> list[dict[str, str]]:
    """The reasons of a serializer's errors, for an answer with a part for each thing that was sent."""
    return [reason._asdict() for reason in _flatten(errors)]


def _refusal_response(reasons: Iterable[Reason], status_code: int) -> Response:
    return Response(_body(reasons), status=status_code)


def _body(reasons: Iterable[Reason]) -> dict[str, list[dict[str, str]]]:
    return {"errors": [reason._asdict() for reason in reasons]}
