"""Hashing of passwords, a few at a time: the processor and the threads of the web server are for the shop."""

import threading

from django.contrib.auth.hashers import PBKDF2PasswordHasher
from django.utils.translation import gettext as _

AT_ONCE = 2
_gate = threading.BoundedSemaphore(AT_ONCE)


class MustWait(Exception):
    """Passwords are not tested now. The answer has the status and the time to wait."""

    def __init__(self, status: int, wait_s: int) -> None:
        super().__init__(_("Too many tries to sign in. Try again in {seconds} s.").format(seconds=wait_s))
        self.status, self.wait_s = status, wait_s


class GatedHasher(PBKDF2PasswordHasher):
    """Refuses at once while AT_ONCE other passwords are hashed by this process."""

    def encode(self, password: str, salt: str, iterations: int | None = None) -> str:
        if not _gate.acquire(blocking=False):
            raise MustWait(503, 1)
        try:
            return super().encode(password, salt, iterations)
        finally:
            _gate.release()
