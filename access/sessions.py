"""Sessions that know their account: they end when idle, or when their person ends them. The SESSION_ENGINE."""

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

from django.conf import settings
from django.contrib.auth import logout
from django.contrib.auth.signals import user_logged_in
from django.contrib.sessions.backends.db import SessionStore as DatabaseStore
from django.http import HttpRequest, HttpResponse
from django.utils import timezone

from access.audit import record
from access.browsers import describe_browser
from access.models import Session, User

# Idle sessions end by SESSION_COOKIE_AGE; used ones are written this seldom.
SEEN_WITHIN = timedelta(minutes=5)
LONGEST = timedelta(days=30)


class SessionStore(DatabaseStore):
    @classmethod
    def get_model_class(cls) -> type[Session]:
        return Session

    def create_model_instance(self, data: dict[str, Any]) -> Session:
        row: Any = super().create_model_instance(data)
        row.user_id = data.get("_auth_user_id")
        return row


def note_browser(sender: object, request: HttpRequest, user: User, **_: Any) -> None:
    """On signing in: what its person recognises the session by."""
    now = timezone.now().isoformat()
    agent = request.META.get("HTTP_USER_AGENT", "")[:200]
    address = request.META.get("REMOTE_ADDR", "")
    request.session.update({"began": now, "seen": now, "agent": agent, "address": address})


user_logged_in.connect(note_browser, dispatch_uid="access.sessions")


def session_age_middleware(
    get_response: Callable[[HttpRequest], HttpResponse],
) -> Callable[[HttpRequest], HttpResponse]:
    """Prolongs a session that is used, and ends one that began long ago."""

    def middleware(request: HttpRequest) -> HttpResponse:
        if settings.SESSION_COOKIE_NAME in request.COOKIES and (began := request.session.get("began")):
            now = timezone.now()
            if now - datetime.fromisoformat(began) > LONGEST:
                logout(request)
            elif now - datetime.fromisoformat(request.session["seen"]) > SEEN_WITHIN:
                request.session["seen"] = now.isoformat()
        return get_response(request)

    return middleware


def sessions_of(user: User) -> list[dict[str, Any]]:
    """The live sessions of an account: key, began, seen, browser, address; the last seen first."""
    rows = Session.objects.filter(user=user, expire_date__gt=timezone.now())
    found = [{"key": row.session_key, **SessionStore().decode(row.session_data)} for row in rows]
    for session in found:
        session["browser"] = describe_browser(session.get("agent", ""))
        for name in ("began", "seen"):
            session[name] = datetime.fromisoformat(session[name])
    return sorted(found, key=lambda session: session["seen"], reverse=True)


def end_sessions(user: User, but: str | None = None) -> int:
    """Sign the account out everywhere; but: a session that stays. How many were ended."""
    record("signed_out_everywhere", user)
    return Session.objects.filter(user=user).exclude(session_key=but or "").delete()[0]
