"""Middleware that gives each web request an id, which is passed on to log lines, response and work."""

import logging
import re
import time
from collections.abc import Callable
from uuid import uuid4

from django.http import HttpRequest, HttpResponse
from structlog.contextvars import bound_contextvars

from background.logs import REQUEST_ID, current_request

logger = logging.getLogger(__name__)
WELL_FORMED = re.compile(r"[A-Za-z0-9._-]{8,64}")


def request_id_middleware(
    get_response: Callable[[HttpRequest], HttpResponse],
) -> Callable[[HttpRequest], HttpResponse]:
    """Use the id that a proxy has set (X-Request-ID), or make one, and return it in the response."""

    def middleware(request: HttpRequest) -> HttpResponse:
        proxy_id = request.headers.get("X-Request-ID", "")
        assigned = proxy_id if WELL_FORMED.fullmatch(proxy_id) else uuid4().hex
        request.META[REQUEST_ID] = assigned
        began = time.monotonic()
        current = current_request.set(request)
        try:
            with bound_contextvars(request_id=assigned):
                response = get_response(request)
                took_s = time.monotonic() - began
                logger.info("%s answered with %d after %.3f s.", request.method, response.status_code, took_s)
        finally:
            current_request.reset(current)
        response["X-Request-ID"] = assigned
        return response

    return middleware
