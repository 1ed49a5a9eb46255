"""Accounts and what they may do."""

from django.contrib.auth.models import AbstractUser
from django.db import models


class Role(models.TextChoices):
    """Each includes those before it. Superusers have the last one and the admin."""

    VIEW = "view", "look"
    WORK = "work", "work"
    SET_UP = "set_up", "set up"


class User(AbstractUser):
    """The account of a person."""

    role = models.CharField(
        max_length=10,
        choices=Role,
        default=Role.VIEW,
        help_text="Look: read everything. Work: record what happens in the shop. Set up: also the catalogue, "
        "machines, places, prices and accounts.",
    )

    def has_role(self, role: str) -> bool:
        """Whether the account may do what the role may do."""
        roles = Role.values
        return self.is_active and (self.is_superuser or roles.index(self.role) >= roles.index(role))
