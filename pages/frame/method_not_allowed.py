"""The page of an address that only takes what a button sends, opened as a page.

A person who is signed out and taps such a button is led there after signing in.
"""

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse
from django.template.loader import render_to_string


def method_not_allowed_page(
    get_response: Callable[[HttpRequest], HttpResponse],
) -> Callable[[HttpRequest], HttpResponse]:
    """Middleware: such an answer is empty, which leaves a browser with a blank page."""

    def middleware(request: HttpRequest) -> HttpResponse:
        response = get_response(request)
        if response.status_code == 405 and not response.content and request.accepts("text/html"):
            response["Content-Type"] = "text/html; charset=utf-8"
            response.content = render_to_string("405.html", request=request)
        return response

    return middleware
