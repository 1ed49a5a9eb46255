"""The one door: name and password, counted by account and by address, for pages and tokens alike.

A try counts as failed before the password is hashed, and is taken back when it was right: tries at the same moment
cannot pass each other. Behind a proxy the address is the client's when TRUSTED_PROXY names the proxy.
"""

import hashlib
import logging
from datetime import datetime, timedelta
from typing import Any, NamedTuple

from django.contrib.auth import authenticate
from django.contrib.auth.backends import ModelBackend
from django.core.exceptions import ValidationError
from django.db import transaction
from django.http import HttpRequest
from django.utils import timezone
from django.utils.translation import gettext as _

from access.audit import record
from access.hashers import MustWait
from access.models import AuditEntry, SignInTries, User
from background.addresses import group_address

logger = logging.getLogger(__name__)
FORGOTTEN_AFTER = timedelta(days=1)
FIRST_DELAY_S = 2
KNOWN_FOR = timedelta(days=30)


class Patience(NamedTuple):
    """Failed tries without a delay, and the longest delay, to which it grows by doubling."""

    free: int
    longest_s: int

    def delay(self, failures: int) -> timedelta:
        doublings = failures - self.free
        seconds = min(FIRST_DELAY_S * 2.0 ** min(doublings, 20), self.longest_s) if doublings >= 0 else 0
        return timedelta(seconds=seconds)


# An account is never shut for long, and not at all where its owner has signed in before; an address is.
ACCOUNT = Patience(free=5, longest_s=60)
ADDRESS = Patience(free=20, longest_s=900)
RESET = Patience(free=3, longest_s=3600)


class CountingBackend(ModelBackend):
    def authenticate(
        self, request: HttpRequest | None, username: str | None = None, password: str | None = None, **_: Any
    ) -> User | None:
        """The account, or None. Raises MustWait without testing the password while its tries are delayed."""
        if username is None or password is None:
            return None
        address = request.META.get("REMOTE_ADDR", "") if request else ""
        account_key = _account_key(username)
        if _is_known(username, address):
            # Tries of strangers do not shut out the owner where they have signed in before.
            account_key = _account_key(f"{username}\n{address}")
        keys = {account_key: ACCOUNT, _address_key(address): ADDRESS}
        try:
            _count_try(keys, timezone.now())
        except MustWait:
            logger.warning("A try to sign in was refused: too many before it.")
            raise
        try:
            user = super().authenticate(request, username=username, password=password)
        except MustWait:
            _take_back(keys)
            raise
        if not isinstance(user, User):
            # Without the name: people type passwords into its field.
            logger.warning("A try to sign in failed.")
            record("sign_in_failed", user=User.objects.filter(username=username).first())
            return None
        _take_back(keys)
        SignInTries.objects.filter(key=account_key).delete()
        logger.info("%s gave the right password.", user)
        return user


def require_password(request: HttpRequest, user: User, password: str) -> None:
    """For changes by which a session that was left open could become somebody else's account.

    Counted like a try to sign in. Raises MustWait, and ValidationError for a wrong one.
    """
    if authenticate(request, username=user.get_username(), password=password) != user:
        error = ValidationError(_("This is not your password. Nothing was changed."), code="wrong_password")
        raise ValidationError({"present_password": error})


def _is_known(name: str, address: str) -> bool:
    """Whether the account has signed in from this address lately."""
    since = timezone.now() - KNOWN_FOR
    signed_in = AuditEntry.objects.filter(action="signed_in", address=address, at__gt=since)
    return "\0" not in name and signed_in.filter(user_name=name).exists()


def _account_key(name: str) -> str:
    # A digest: a name may be long, or a password in the wrong field.
    return "account " + hashlib.sha256(name.casefold().encode("utf-8", "surrogatepass")).hexdigest()[:40]


def _address_key(address: str) -> str:
    return f"address {group_address(address)}"[:80]


@transaction.atomic
def _count_try(keys: dict[str, Patience], now: datetime) -> None:
    """Count one failed try of each key. Raises MustWait, and counts nothing, while one of them is delayed."""
    SignInTries.objects.filter(last_at__lt=now - FORGOTTEN_AFTER).delete()
    SignInTries.objects.bulk_create(
        [SignInTries(key=key, last_at=now) for key in sorted(keys)], ignore_conflicts=True
    )
    rows = list(SignInTries.objects.select_for_update().filter(key__in=keys).order_by("key"))
    waits = [row.blocked_until - now for row in rows if row.blocked_until and row.blocked_until > now]
    if waits:
        raise MustWait(429, int(max(waits).total_seconds()) + 1)
    for row in rows:
        row.failures, row.last_at = row.failures + 1, now
        delay = keys[row.key].delay(row.failures)
        row.blocked_until = now + delay if delay else None
        row.save()


@transaction.atomic
def _take_back(keys: dict[str, Patience]) -> None:
    """Of a try that did not fail."""
    for row in SignInTries.objects.select_for_update().filter(key__in=keys, failures__gt=0).order_by("key"):
        row.failures, row.blocked_until = row.failures - 1, None
        row.save()


def count_reset(request: HttpRequest, name: str) -> None:
    """Count a wish for a link to choose another password. Raises MustWait after many."""
    address = _address_key(request.META.get("REMOTE_ADDR", ""))
    _count_try({"reset " + _account_key(name): RESET, address: ADDRESS}, timezone.now())
