"""Tokens of devices and scripts: one each, with a scope, shown once, ended on a page or with the account."""

import hashlib
import secrets
from collections.abc import Mapping
from datetime import timedelta
from typing import Any

from django.core.exceptions import ValidationError
from django.db.models import Q, QuerySet
from django.utils import timezone
from django.utils.translation import gettext as _

from access.models import Role, Token, User
from access.rules import OWN, SAFE

# Recognised by programs that search published files for secrets.
PREFIX = "lw_"
MOST_TOKENS = 50
MOST_DAYS = 3650
# A token that is used every few seconds is written this seldom.
USE_SHOWN_WITHIN = timedelta(minutes=5)
# The addresses that a scope may change, by the names of their URLs.
WEIGH = {"v1:spools-weigh", "v1:scalevalues-list", "v1:scans-list", "v1:weighings-list"}
SEND_READINGS = {"v1:readings-list", "v1:readings-csv"}
SEND_MEASUREMENTS = {"v1:measurements-list"}
JOB_ENDPOINTS = {"jobs", "jobevents", "jobfiles", "maystart", "printerevents"}


def add_token(
    user: User, name: str, scope: str, place: int | None = None, days: int | None = None
) -> tuple[Token, str]:
    """A new token and its key, which is stored nowhere. days: until it expires, None for never.

    Raises ValidationError for a scope that the role of the account cannot use, and above MOST_TOKENS.
    """
    if (scope == Token.Scope.READINGS) != (place is not None):
        raise _refusal(
            "place_of_readings",
            _("Choose the place for a token that sends readings, and only then."),
            "place",
        )
    if scope not in (Token.Scope.READ, Token.Scope.ALL) and not user.has_role(Role.WORK):
        raise _refusal("scope_needs_work", _("Your role is to look: choose a token that reads."), "scope")
    if live_tokens().filter(user=user).count() >= MOST_TOKENS:
        raise _refusal(
            "many_tokens", _("An account has at most {most} tokens. End one first.").format(most=MOST_TOKENS)
        )
    key = PREFIX + secrets.token_urlsafe(32)
    expires_at = timezone.now() + timedelta(days=days) if days else None
    token = Token.objects.create(
        user=user, name=name, scope=scope, place_id=place, digest=_digest(key), expires_at=expires_at
    )
    return token, key


def look_up_token(key: str) -> Token | None:
    """The token with this key, if it and its account are live. Writes nothing."""
    return live_tokens().filter(digest=_digest(key), user__is_active=True).select_related("user").first()


def find_token(key: str) -> Token | None:
    """The token with this key, if it and its account are live; its use is noted."""
    now, token = timezone.now(), look_up_token(key)
    if token and (token.used_at is None or token.used_at < now - USE_SHOWN_WITHIN):
        Token.objects.filter(pk=token.pk).update(used_at=now)
    return token


def end_token(token: Token) -> None:
    """It opens nothing any more; it stays on record."""
    if token.ended_at is None:
        token.ended_at = timezone.now()
        token.save(update_fields=["ended_at"])


def live_tokens() -> QuerySet[Token]:
    return Token.objects.filter(
        Q(expires_at__isnull=True) | Q(expires_at__gt=timezone.now()), ended_at__isnull=True
    )


def allows(token: Token, name: str, method: str, names: Mapping[str, Any]) -> bool:
    """Whether the scope includes an address; the role of the account limits it further. names: in the address."""
    match token.scope:
        case Token.Scope.ALL:
            return True
        case Token.Scope.READ:
            return method in SAFE or name in OWN
        case Token.Scope.READINGS:
            return method == "POST" and name in SEND_READINGS and names.get("place_pk") == str(token.place_id)
        case Token.Scope.SENSORS:
            return method == "POST" and name in SEND_MEASUREMENTS
        case Token.Scope.WEIGHINGS:
            return method == "POST" and name in WEIGH
        case Token.Scope.JOBS:
            return name.removeprefix("v1:").partition("-")[0] in JOB_ENDPOINTS
    return False


def _digest(key: str) -> str:
    # The key is random: nothing is gained by a slow hash.
    return hashlib.sha256(key.encode("utf-8", "surrogatepass")).hexdigest()


def _refusal(code: str, message: str, field: str = "") -> ValidationError:
    error = ValidationError(message, code=code)
    return ValidationError({field: error}) if field else error
