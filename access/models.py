"""Accounts and what they may do."""

from django.contrib.auth.models import AbstractUser
from django.contrib.sessions.base_session import AbstractBaseSession
from django.db import models
from django.db.models import Q
from django.utils import timezone


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
    must_change_password = models.BooleanField(default=False, help_text="Somebody else has chosen it.")

    def has_role(self, role: str) -> bool:
        """Whether the account may do what the role may do."""
        roles = Role.values
        return self.is_active and (self.is_superuser or roles.index(self.role) >= roles.index(role))


class Token(models.Model):
    """Lets one device or script into the API, as its account, within a scope. Only a digest of its key is stored."""

    class Scope(models.TextChoices):
        READ = "read", "read everything"
        READINGS = "readings", "send readings of one place"
        WEIGHINGS = "weighings", "record weighings"
        JOBS = "jobs", "jobs and job files"
        ALL = "all", "all that the account may do"

    user = models.ForeignKey(User, models.CASCADE, related_name="tokens")
    name = models.CharField(max_length=80, help_text="of the device")
    scope = models.CharField(max_length=10, choices=Scope)
    place_id = models.PositiveBigIntegerField(null=True, blank=True, help_text="whose readings it may send")
    digest = models.CharField(max_length=64, unique=True, help_text="SHA-256 of its key")
    added_at = models.DateTimeField(default=timezone.now)
    used_at = models.DateTimeField(null=True, blank=True, help_text="last, to a few minutes")
    expires_at = models.DateTimeField(null=True, blank=True)
    ended_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(scope="readings", place_id__isnull=False)
                | (~Q(scope="readings") & Q(place_id__isnull=True)),
                name="readings_are_those_of_a_place",
            )
        ]

    def __str__(self) -> str:
        return self.name


class SignInTries(models.Model):
    """Failed tries to sign in, of one account or from one address, since it last worked."""

    key = models.CharField(max_length=80, unique=True, help_text="account or address")
    failures = models.PositiveIntegerField(default=0)
    last_at = models.DateTimeField(db_index=True)
    blocked_until = models.DateTimeField(null=True, blank=True)

    def __str__(self) -> str:
        return self.key


class Session(AbstractBaseSession):
    """A signed-in browser, or one that has not signed in yet."""

    user = models.ForeignKey(User, models.CASCADE, null=True, related_name="sessions")

    class Meta(AbstractBaseSession.Meta):
        abstract = False
