"""Accounts, what they may do, and what they did at the doors."""

from typing import Any

from django.contrib.auth.models import AbstractUser
from django.contrib.sessions.base_session import AbstractBaseSession
from django.core.serializers.json import DjangoJSONEncoder
from django.db import models
from django.db.models import Q
from django.utils import timezone
from django.utils.translation import gettext_lazy

from background.units import UNITS


class Role(models.TextChoices):
    """Each includes those before it. Superusers have the last one and the admin."""

    VIEW = "view", gettext_lazy("look")
    WORK = "work", gettext_lazy("work")
    SET_UP = "set_up", gettext_lazy("set up")


class User(AbstractUser):
    """The account of a person."""

    role = models.CharField(
        max_length=10,
        choices=Role,
        default=Role.VIEW,
        help_text="Look: read everything. Work: record what happens in the shop. Set up: also the catalogue, "
        "machines, places, prices and accounts.",
    )
    language = models.CharField(
        max_length=10, blank=True, help_text="of pages and messages; empty: none chosen"
    )
    units = models.CharField(max_length=10, choices=UNITS, blank=True, help_text="empty: none chosen")
    must_change_password = models.BooleanField(default=False, help_text="Somebody else has chosen it.")

    def has_role(self, role: str) -> bool:
        """Whether the account may do what the role may do."""
        roles = Role.values
        return self.is_active and (self.is_superuser or roles.index(self.role) >= roles.index(role))


class Token(models.Model):
    """Lets one device or script into the API, as its account, within a scope. Only a digest of its key is stored."""

    class Scope(models.TextChoices):
        READ = "read", gettext_lazy("read everything")
        READINGS = "readings", gettext_lazy("send readings of one place")
        SENSORS = "sensors", gettext_lazy("send what all sensors measure")
        WEIGHINGS = "weighings", gettext_lazy("record weighings")
        JOBS = "jobs", gettext_lazy("jobs and job files")
        ALL = "all", gettext_lazy("all that the account may do")

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


class AppendOnly(models.QuerySet):
    """Rows that no code changes or deletes."""

    def update(self, **_: Any) -> int:
        raise TypeError("An audit entry is never changed.")

    def delete(self) -> tuple[int, dict[str, int]]:
        raise TypeError("An audit entry is never deleted.")


class AuditEntry(models.Model):
    """One act that concerns the doors, the catalogue or the machines. It names its person as they were named then."""

    at = models.DateTimeField(default=timezone.now, db_index=True)
    user_id = models.PositiveBigIntegerField(null=True)
    user_name = models.CharField(max_length=150, blank=True)
    token = models.CharField(max_length=80, blank=True, help_text="name of the token that was sent")
    address = models.CharField(max_length=45, blank=True)
    request_id = models.CharField(max_length=64, blank=True, help_text="as in the log")
    action = models.CharField(max_length=40)
    subject = models.CharField(max_length=60, blank=True, help_text="kind of the row")
    subject_id = models.CharField(max_length=40, blank=True)
    title = models.CharField(max_length=200, blank=True)
    before = models.JSONField(default=dict, encoder=DjangoJSONEncoder)
    after = models.JSONField(default=dict, encoder=DjangoJSONEncoder)

    objects = AppendOnly.as_manager()

    class Meta:
        ordering = ["-id"]
        indexes = [models.Index(fields=["user_name", "address", "action"], name="audit_of_a_door")]

    def __str__(self) -> str:
        return f"{self.user_name} {self.action} {self.title}"

    def save(self, *args: Any, **kwargs: Any) -> None:
        if not self._state.adding:
            raise TypeError("An audit entry is never changed.")
        super().save(*args, **kwargs)

    def delete(self, *args: Any, **kwargs: Any) -> tuple[int, dict[str, int]]:
        raise TypeError("An audit entry is never deleted.")


class Invitation(models.Model):
    """Lets one person make an account with a role. Its link is signed, not stored."""

    role = models.CharField(max_length=10, choices=Role)
    email = models.EmailField(blank=True, help_text="where its link is sent")
    added_by = models.ForeignKey(User, models.CASCADE, related_name="invitations")
    added_at = models.DateTimeField(default=timezone.now)
    ended_at = models.DateTimeField(null=True, blank=True, help_text="when it was used or taken back")

    class Meta:
        ordering = ["-id"]

    def __str__(self) -> str:
        return f"{self.get_role_display()} {self.email}".strip()
