"""A code from an app beside the password, and recovery codes for a lost phone."""

import hashlib
import secrets

from django.conf import settings
from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils.translation import gettext as _
from django_otp.plugins.otp_static.models import StaticDevice
from django_otp.plugins.otp_totp.models import TOTPDevice

from access.models import User

RECOVERY_CODES = 10
NAME = "app"


def has_second_factor(user: User) -> bool:
    return TOTPDevice.objects.filter(user=user, confirmed=True).exists()


def must_add_factor(user: User) -> bool:
    """Whether an account has to add one before anything else (SECOND_FACTOR)."""
    return settings.SECOND_FACTOR_NEEDED and not has_second_factor(user)


def prepare(user: User) -> TOTPDevice:
    """The secret that an app is given; it counts once confirm() has seen a code of it."""
    device, _ = TOTPDevice.objects.get_or_create(user=user, confirmed=False, defaults={"name": NAME})
    return device


@transaction.atomic
def confirm(user: User, code: str) -> list[str]:
    """Ask for a code from now on. Returns the recovery codes, which are shown once. Raises ValidationError."""
    device = TOTPDevice.objects.select_for_update().filter(user=user, confirmed=False).first()
    if device is None or not device.verify_token(_digits(code)):
        raise wrong_code()
    remove(user)
    device.pk, device.confirmed = None, True
    device.save(force_insert=True)
    static = StaticDevice.objects.create(user=user, name="recovery", confirmed=True)
    codes = [secrets.token_hex(10) for _ in range(RECOVERY_CODES)]
    for given in codes:
        static.token_set.create(token=_digest(given))
    return codes


def require_code(user: User, code: str) -> None:
    """Raises ValidationError unless it is the app's present code or an unused recovery code, which is used up.

    After wrong codes the right one is refused as well, for a time that doubles.
    """
    if not _is_valid(user, code):
        raise wrong_code()


@transaction.atomic
def _is_valid(user: User, code: str) -> bool:
    """Verifies and counts the try, which is stored whatever its outcome."""
    digits = _digits(code)
    if len(digits) == 6 and digits.isdecimal():
        app = TOTPDevice.objects.select_for_update().filter(user=user, confirmed=True).first()
        return app is not None and app.verify_token(digits)
    recovery = StaticDevice.objects.select_for_update().filter(user=user, confirmed=True).first()
    return recovery is not None and recovery.verify_token(_digest(code))


def remove(user: User) -> None:
    """Ask for the password alone."""
    TOTPDevice.objects.filter(user=user).delete()
    StaticDevice.objects.filter(user=user).delete()


def wrong_code() -> ValidationError:
    error = ValidationError(
        _("This code is not valid now. Wait for the next one, or use a recovery code."), code="wrong_code"
    )
    return ValidationError({"code": error})


def _digits(code: str) -> str:
    return code.replace(" ", "")[:20]


def _digest(code: str) -> str:
    """What is stored of a recovery code: 64 bits of the digest of 80 random ones."""
    plain = code.replace(" ", "").replace("-", "").lower()
    return hashlib.sha256(plain.encode("utf-8", "surrogatepass")).hexdigest()[:16]
