"""Middleware for the headers that Django has no setting for."""

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse

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
