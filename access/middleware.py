"""Middleware that opens each page to accounts with the role that it needs (access/rules.py)."""

from collections.abc import Callable
from typing import Any

from django.contrib.auth.views import redirect_to_login
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render

from access.hashers import MustWait
from access.rules import ANYBODY, explain, is_allowed, required_role
from access.second_factor import must_add_factor


class RoleMiddleware:
    """Leads strangers to the sign-in page. The API authenticates by itself and has its own permission class."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        return self.get_response(request)

    def process_view(
        self, request: HttpRequest, view: Callable[..., HttpResponse], args: Any, kwargs: Any
    ) -> HttpResponse | None:
        name = request.resolver_match.view_name if request.resolver_match else ""
        if name.startswith("v1:"):
            return None
        role = required_role(name, request.method or "")
        if role == ANYBODY:
            return None
        if not request.user.is_authenticated:
            return redirect_to_login(request.get_full_path())
        if request.user.must_change_password and name != "password":
            return redirect("password")
        if name not in ("password", "second-factor", "password-changed") and must_add_factor(request.user):
            return redirect("second-factor")
        if is_allowed(request.user, role):
            return None
        raise PermissionDenied(explain(role))

    def process_exception(self, request: HttpRequest, exception: Exception) -> HttpResponse | None:
        """Passwords of forms that are not tested now."""
        if not isinstance(exception, MustWait):
            return None
        answer = render(
            request, "frame/must_wait.html", {"wait_s": exception.wait_s}, status=exception.status
        )
        answer["Retry-After"] = str(exception.wait_s)
        return answer
