"""Metrics for a monitoring program: with a token that may read, or for somebody who is signed in."""

from django.http import HttpRequest, HttpResponse
from django.views.decorators.http import require_safe
from prometheus_client import CONTENT_TYPE_LATEST
from rest_framework.exceptions import AuthenticationFailed

from access.tokens import allows
from api.authentication import DeviceTokenAuthentication
from maintenance.metrics import render_metrics


@require_safe
def metrics(request: HttpRequest) -> HttpResponse:
    if not (request.user.is_authenticated or _has_token(request)):
        refusal = "Send a token that may read: Authorization: Token ...\n"
        return HttpResponse(
            refusal, status=401, content_type="text/plain", headers={"WWW-Authenticate": "Token"}
        )
    return HttpResponse(render_metrics(), content_type=CONTENT_TYPE_LATEST)


def _has_token(request: HttpRequest) -> bool:
    try:
        known = DeviceTokenAuthentication().authenticate(request)
    except AuthenticationFailed:
        return False
    return known is not None and allows(known[1], "metrics", "GET", {})
