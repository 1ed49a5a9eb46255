"""Metrics for a monitoring program: with the token of the interface, or for somebody who is signed in."""

from django.http import HttpRequest, HttpResponse
from django.views.decorators.http import require_safe
from prometheus_client import CONTENT_TYPE_LATEST
from rest_framework.authentication import TokenAuthentication
from rest_framework.exceptions import AuthenticationFailed

from maintenance.metrics import render_metrics


@require_safe
def metrics(request: HttpRequest) -> HttpResponse:
    if not (request.user.is_authenticated or _has_token(request)):
        refusal = "Send a token of the interface: Authorization: Token ...\n"
        return HttpResponse(
            refusal, status=401, content_type="text/plain", headers={"WWW-Authenticate": "Token"}
        )
    return HttpResponse(render_metrics(), content_type=CONTENT_TYPE_LATEST)


def _has_token(request: HttpRequest) -> bool:
    try:
        return TokenAuthentication().authenticate(request) is not None
    except AuthenticationFailed:
        return False
