"""Middleware for the headers that Django has no setting for."""

import re
from collections.abc import Callable

from django.conf import settings
from django.http import HttpRequest, HttpResponse, JsonResponse

# The page that scans labels needs the camera; nothing needs any other device of the visitor.
REFUSED_DEVICES = [
    *("accelerometer", "display-capture", "geolocation", "gyroscope", "hid", "magnetometer"),
    *("microphone", "midi", "payment", "serial", "usb"),
]
HEADERS = {
    "Permissions-Policy": ", ".join(["camera=(self)", *(f"{device}=()" for device in REFUSED_DEVICES)]),
    "Cross-Origin-Resource-Policy": "same-origin",
    # Static files, the feed and the push worker have rules of their own; all else is for one person, now.
    "Cache-Control": "no-store",
}


def headers_middleware(
    get_response: Callable[[HttpRequest], HttpResponse],
) -> Callable[[HttpRequest], HttpResponse]:
    """Adds them to every response that does not have its own, refusals of a wrong host too."""

    def middleware(request: HttpRequest) -> HttpResponse:
        response = get_response(request)
        for name, value in HEADERS.items():
            response.headers.setdefault(name, value)
        return response

    return middleware


def refuse_plain_middleware(
    get_response: Callable[[HttpRequest], HttpResponse],
) -> Callable[[HttpRequest], HttpResponse]:
    """With SECURE=1, refuses scripts that come by http, where people are led to https."""
    refused = re.compile("|".join(settings.PLAIN_REFUSED))

    def middleware(request: HttpRequest) -> HttpResponse:
        plain = settings.SECURE_SSL_REDIRECT and not request.is_secure()
        if plain and refused.search(request.path.lstrip("/")):
            message = "Ask by https, and replace the token: it may have been read on the way."
            error = {"field": "", "code": "https_needed", "message": message}
            return JsonResponse({"errors": [error]}, status=403)
        return get_response(request)

    return middleware
