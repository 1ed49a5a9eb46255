"""Channels to people, their notification settings, and the outbox."""

from datetime import time
from uuid import uuid4

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils import timezone
from django.utils.translation import gettext_lazy

from spools.models.statements import StatementField
from spools.models.versions import Versioned

from .reminders import Reminder, ReminderEvent


class NotificationSettings(Versioned):
    """When a person wants to be notified, in the shop's zone."""

    user = models.OneToOneField(
        settings.AUTH_USER_MODEL, models.CASCADE, related_name="notification_settings"
    )
    quiet_from = models.TimeField(null=True, blank=True)
    quiet_to = models.TimeField(null=True, blank=True)
    urgent_in_quiet = models.BooleanField(default=False, help_text="Urgent reminders are sent at any hour.")
    digest_at = models.TimeField(default=time(7))

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(quiet_from__isnull=True, quiet_to__isnull=True)
                | Q(quiet_from__isnull=False, quiet_to__isnull=False),
                name="quiet_hours_have_both_ends",
            )
        ]

    def __str__(self) -> str:
        return f"Notification settings of {self.user}"


class Channel(Versioned):
    """A way to reach a person. It ends and is not deleted, so that its messages stay on record.

    version: counts the changes of the kinds that it carries.
    """

    class Kind(models.TextChoices):
        PAGE = "page", gettext_lazy("on the page")
        EMAIL = "email", gettext_lazy("e-mail")
        WEBHOOK = "webhook", gettext_lazy("webhook")
        PUSH = "push", gettext_lazy("notification of the browser")
        CALENDAR = "calendar", gettext_lazy("calendar feed")

    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.CASCADE, related_name="channels")
    kind = models.CharField(max_length=10, choices=Kind)
    name = models.CharField(max_length=80, blank=True)
    address = models.CharField(
        max_length=1000, blank=True, help_text="e-mail address, web address, or the token of a feed"
    )
    secret = models.CharField(max_length=200, blank=True, help_text="signs webhooks")
    keys = models.JSONField(default=dict, blank=True, help_text="of a browser's push subscription")
    unconfirmed = models.BooleanField(
        default=False, help_text="an e-mail address gets nothing but the link that confirms it"
    )
    added_at = models.DateTimeField(default=timezone.now)
    ended_at = models.DateTimeField(null=True, blank=True)
    backoff_until = models.DateTimeField(
        null=True, blank=True, help_text="no attempt before, after a failure"
    )
    failures = models.PositiveSmallIntegerField(default=0, help_text="since it last worked")
    event_kinds = models.JSONField(
        default=list, blank=True, help_text="the kinds of ShopEvent that a webhook carries"
    )
    events_until = models.PositiveBigIntegerField(
        default=0, help_text="the place in the log up to which its messages of events are written"
    )

    class Meta:
        ordering = ["id"]
        constraints = [
            models.UniqueConstraint(
                fields=["user", "kind"],
                condition=Q(ended_at__isnull=True, kind__in=["page", "calendar"]),
                name="one_page_and_one_calendar_each",
            )
        ]

    def __str__(self) -> str:
        return self.name or self.address


class Subscription(models.Model):
    """A kind of reminder that a channel carries; kinds without a row are not sent."""

    class Timing(models.TextChoices):
        AT_ONCE = "at_once", gettext_lazy("at once")
        DIGEST = "digest", gettext_lazy("in one digest a day")

    channel = models.ForeignKey(Channel, models.CASCADE, related_name="subscriptions")
    reminder_kind = models.CharField(max_length=20, choices=Reminder.Kind)
    timing = models.CharField(max_length=10, choices=Timing, default=Timing.AT_ONCE)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["channel", "reminder_kind"], name="one_subscription_a_kind")
        ]

    def __str__(self) -> str:
        return f"{self.get_reminder_kind_display()} to {self.channel}, {self.get_timing_display()}"


class Message(models.Model):
    """The outbox: written in the transaction of its event and delivered at least once; receivers drop duplicates by
    the id."""

    class Purpose(models.TextChoices):
        EVENT = "event"
        ENTRY = "entry"  # of the next digest; never sent alone
        DIGEST = "digest"
        TEST = "test"
        SHOP = "shop"  # an event of the shop, to a webhook

    class State(models.TextChoices):
        WAITING = "waiting", gettext_lazy("waiting")
        BUNDLED = "bundled", gettext_lazy("in a digest")
        SENT = "sent", gettext_lazy("sent")
        FAILED = "failed", gettext_lazy("failed")
        EXPIRED = "expired", gettext_lazy("expired")

    id = models.UUIDField(primary_key=True, default=uuid4, editable=False)
    channel = models.ForeignKey(Channel, models.CASCADE, related_name="messages")
    purpose = models.CharField(max_length=10, choices=Purpose)
    event = models.ForeignKey(ReminderEvent, models.CASCADE, null=True, blank=True, related_name="messages")
    digest = models.ForeignKey("self", models.SET_NULL, null=True, blank=True, related_name="entries")
    digest_day = models.DateField(null=True, blank=True)
    sequence = models.PositiveBigIntegerField(null=True, blank=True, help_text="of an event of the shop")
    body = models.JSONField(default=dict, help_text="the content without its sentences")
    state = models.CharField(max_length=10, choices=State, default=State.WAITING)
    written_at = models.DateTimeField(default=timezone.now)
    not_before = models.DateTimeField(default=timezone.now)
    attempts = models.PositiveSmallIntegerField(default=0)
    next_attempt_at = models.DateTimeField(default=timezone.now)
    error = StatementField(null=True, help_text="of the last attempt that failed")
    ended_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-written_at"]
        indexes = [models.Index(fields=["state", "not_before"], name="message_state_not_before")]
        constraints = [
            models.UniqueConstraint(fields=["channel", "event"], name="one_message_an_event"),
            models.UniqueConstraint(fields=["channel", "digest_day"], name="one_digest_a_day"),
        ]

    def __str__(self) -> str:
        return f"{self.purpose} to {self.channel} ({self.state})"
