"""How much a request may send, decided by its head: before anything of the body is read, parsed or stored.

All bodies are limited by MOST_BODY_BYTES. The addresses in LARGE_BODIES take more from people who are signed in, or from
a token with the scope, if the function that is named there finds room for it.
"""

from collections.abc import Callable
from contextlib import suppress
from io import BytesIO

from django.conf import settings
from django.contrib.auth import get_user
from django.contrib.auth.views import redirect_to_login
from django.core.exceptions import ValidationError
from django.core.handlers.wsgi import WSGIRequest
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import render
from django.urls import ResolverMatch, resolve
from django.utils.module_loading import import_string
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from access.models import User
from access.rules import explain, required_role
from access.sessions import SessionStore
from access.tokens import allows, look_up_token

API = "/api/"
NOT_SIGNED_IN = gettext_lazy("Sign in, or send a token that may record jobs, before a body of this size.")


def body_limit_middleware(
    get_response: Callable[[HttpRequest], HttpResponse],
) -> Callable[[HttpRequest], HttpResponse]:
    """Refuses bodies by their declared length; Django reads no further than that.

    It must run before all that reads the body in a process_view, as the check against cross-site requests does.
    """

    def middleware(request: HttpRequest) -> HttpResponse:
        return refuse_body(request) or get_response(request)

    return middleware


def refuse_body(request: HttpRequest) -> HttpResponse | None:
    """The answer to a request whose body is too large, or too large for this person; None: it may come."""
    try:
        size = int(request.META.get("CONTENT_LENGTH") or 0)
    except ValueError:
        size = 0
    if size <= settings.MOST_BODY_BYTES:
        return None
    match = None
    with suppress(Http404):
        match = resolve(request.path_info)
    check = settings.LARGE_BODIES.get(match.view_name) if match and request.method == "POST" else None
    if not match or not check:
        most_mib = settings.MOST_BODY_BYTES // 2**20
        message = _("The request is larger than {most} MiB. Send it in smaller parts.").format(most=most_mib)
        return _answer(request, 413, "too_large", message)
    user = _find_user(request, match)
    if user is None:
        if not request.path.startswith(API):
            return redirect_to_login(request.get_full_path())
        return _answer(request, 401, "not_authenticated", str(NOT_SIGNED_IN))
    role = required_role(match.view_name, "POST")
    if not user.has_role(role):
        if not request.path.startswith(API):
            return render(request, "403.html", {"exception": explain(role)}, status=403)
        return _answer(request, 403, "role_needed", explain(role))
    try:
        import_string(check)(user, size)
    except ValidationError as error:
        reasons = error.error_dict["file"] if hasattr(error, "error_dict") else error.error_list
        return _answer(request, 413, reasons[0].code or "too_large", " ".join(error.messages))
    return None


def is_body_refused(method: str, path: str, headers: dict[str, str]) -> bool:
    """The same for a web server that has the head of a request. headers: named as in WSGI, without HTTP_."""
    environ = {f"HTTP_{name}": value for name, value in headers.items()}
    environ |= {
        "REQUEST_METHOD": method,
        "PATH_INFO": path,
        "CONTENT_LENGTH": headers.get("CONTENT_LENGTH", ""),
    }
    request = WSGIRequest(environ | {"wsgi.input": BytesIO()})
    request.session = SessionStore(request.COOKIES.get(settings.SESSION_COOKIE_NAME))
    request.user = get_user(request)
    return refuse_body(request) is not None


def _find_user(request: HttpRequest, match: ResolverMatch) -> User | None:
    """Whoever is signed in, or the account of a token whose scope includes the address."""
    kind, __, key = request.headers.get("Authorization", "").partition(" ")
    if kind.lower() == "token" and request.path.startswith(API):
        token = look_up_token(key.strip())
        allowed = token and allows(token, match.view_name, request.method or "", match.kwargs)
        return token.user if token and allowed else None
    user = request.user
    return user if user.is_authenticated and not user.must_change_password else None


def _answer(request: HttpRequest, status: int, code: str, message: str) -> HttpResponse:
    if request.path.startswith(API):
        return JsonResponse({"errors": [{"field": "", "code": code, "message": message}]}, status=status)
    return render(request, "413.html", {"code": code, "message": message}, status=status)
