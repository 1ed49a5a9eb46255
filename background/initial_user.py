"""The first user of a new shop."""

import secrets
from typing import Any

from django.contrib.auth import get_user_model
from django.db import transaction

CONSONANTS = "bdfgkmnprstvz"
VOWELS = "aeiou"


def create_initial_user(name: str, **values: Any) -> str | None:
    """Create an administrator with a random password when there is no account at all. values: of the account.

    Returns the password, which is stored nowhere in the clear, or None when there already is an account.
    """
    users = get_user_model()._default_manager
    with transaction.atomic():
        if users.exists():
            return None
        password = readable_password()
        users.create_superuser(username=name, password=password, **values)
    return password


def create_demo_people() -> list[tuple[str, str, str]]:
    """Create two invented people with the lower roles, to try those: name, role and password of each."""
    people = []
    for name, role in (("wanda", "work"), ("vito", "view")):
        password = readable_password()
        get_user_model().objects.create_user(username=name, password=password, role=role)
        people.append((name, role, password))
    return people


def readable_password() -> str:
    """Four groups of two syllables, 13 * 5 values each: 48 bits, easy to copy from a screen."""

    def syllables(count: int) -> str:
        return "".join(secrets.choice(CONSONANTS) + secrets.choice(VOWELS) for _ in range(count))

    return "-".join(syllables(2) for _ in range(4))
