"""Gives each web request a mark, which its log lines, its answer and the work it asks for carry."""

import logging
import re
import time
from collections.abc import Callable
from uuid import uuid4

from django.http import HttpRequest, HttpResponse
from structlog.contextvars import bound_contextvars

from background.logs import current_request

logger = logging.getLogger(__name__)
WELL_FORMED = re.compile(r"[A-Za-z0-9._-]{8,64}")


def request_marks(
    get_response: Callable[[HttpRequest], HttpResponse],
) -> Callable[[HttpRequest], HttpResponse]:
    """Middleware: take the mark that a proxy gave (X-Request-ID), or make one, and answer with it."""

    def middleware(request: HttpRequest) -> HttpResponse:
        given = request.headers.get("X-Request-ID", "")
        mark = given if WELL_FORMED.fullmatch(given) else uuid4().hex
        began = time.monotonic()
        current = current_request.set(request)
        try:
            with bound_contextvars(request_id=mark):
                response = get_response(request)
                took_s = time.monotonic() - began
                logger.info("%s answered with %d after %.3f s.", request.method, response.status_code, took_s)
        finally:
            current_request.reset(current)
        response["X-Request-ID"] = mark
        return response

    return middleware
