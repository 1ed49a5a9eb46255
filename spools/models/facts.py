"""Columns that recorded facts share: who recorded a fact and when, and whether it was withdrawn."""

from typing import TypeVar

from django.conf import settings
from django.db import models

FactT = TypeVar("FactT", bound=models.Model, covariant=True)


class Recorded(models.Model):
    """A fact with the time of its recording and the person who recorded it."""

    recorded_at = models.DateTimeField(auto_now_add=True)
    recorded_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, blank=True, related_name="+"
    )

    class Meta:
        abstract = True


class WithdrawableQuerySet(models.QuerySet[FactT]):
    def valid(self) -> "WithdrawableQuerySet[FactT]":
        """The facts that count: those that were not withdrawn."""
        return self.filter(withdrawn_at__isnull=True)


class ValidManager(models.Manager[FactT]):
    """The facts that count alone, also where other rows lead to them: of facts that are read in many places.

    Whoever lists withdrawn ones too asks the manager ``recorded``.
    """

    def get_queryset(self) -> models.QuerySet[FactT]:
        return super().get_queryset().filter(withdrawn_at__isnull=True)


class Withdrawable(Recorded):
    """A fact that can turn out to be a mistake. Withdrawing it is added once, by spools.facts.withdraw."""

    withdrawn_at = models.DateTimeField(null=True, blank=True, editable=False)
    withdrawn_by = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        models.SET_NULL,
        null=True,
        blank=True,
        editable=False,
        related_name="+",
    )
    withdrawn_reason = models.CharField(
        max_length=300, blank=True, editable=False, help_text="empty: the right one replaces it"
    )

    objects = WithdrawableQuerySet.as_manager()

    class Meta:
        abstract = True


class SentRequest(models.Model):
    """A form or API request that carried a key, with its first answer; see spools.edits.idempotency."""

    account = models.ForeignKey(settings.AUTH_USER_MODEL, models.CASCADE, related_name="+")
    address = models.CharField(max_length=300)
    key = models.CharField(max_length=100)
    digest = models.CharField(max_length=64, help_text="of its inputs")
    status = models.PositiveSmallIntegerField(default=0)
    answer = models.TextField(
        blank=True, help_text="the address of a redirect, or the body of the API's answer"
    )
    sent_at = models.DateTimeField(auto_now_add=True, db_index=True)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["account", "address", "key"], name="key_sent_once")]

    def __str__(self) -> str:
        return f"{self.address} at {self.sent_at:%Y-%m-%d %H:%M}"
