from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from spools.models import Feedstock, Place, Spool
from spools.models.statements import StatementField

from .machines import Printer, Toolhead
from .parts import Part, PartKind


class Reminder(models.Model):
    """Something due. One is open per condition; it is resolved when the condition is gone, or completed by a person."""

    class Kind(models.TextChoices):
        DRY = "dry", _("re-dry")
        REPLACE = "replace", _("replace")
        REORDER = "reorder", _("reorder")
        DRYER_UP = "dryer_up", _("turn the dryer up")
        DRYING_DONE = "drying_done", _("take out of the dryer")
        REGENERATE = "regenerate", _("regenerate desiccant")
        FLOW_CHECK = "flow_check", _("flow check")
        FLOW_CHART = "flow_chart", _("flow loss changes")
        CLEAN = "clean", _("clean")
        SERVICE = "service", _("service")
        LEAK = "leak", _("dry box leaks")
        WEIGH = "weigh", _("weigh")
        HEAT = "heat", _("heat budget")
        SENSOR = "sensor", _("sensor silent")

    class Ending(models.TextChoices):
        RESOLVED = "resolved", _("resolved by itself")
        COMPLETED = "completed", _("completed")

    kind = models.CharField(max_length=20, choices=Kind)
    condition = models.CharField(
        max_length=80, help_text="kind and subject, e.g. dry:spool:12; one reminder of it is open at a time"
    )
    reason = StatementField(help_text="the number and the limit")
    remedy = StatementField()
    spool = models.ForeignKey(Spool, models.CASCADE, null=True, blank=True, related_name="reminders")
    part = models.ForeignKey(Part, models.CASCADE, null=True, blank=True, related_name="reminders")
    toolhead = models.ForeignKey(Toolhead, models.CASCADE, null=True, blank=True, related_name="reminders")
    printer = models.ForeignKey(Printer, models.CASCADE, null=True, blank=True, related_name="reminders")
    part_kind = models.ForeignKey(PartKind, models.CASCADE, null=True, blank=True, related_name="reminders")
    feedstock = models.ForeignKey(Feedstock, models.CASCADE, null=True, blank=True, related_name="reminders")
    place = models.ForeignKey(Place, models.CASCADE, null=True, blank=True, related_name="reminders")
    opened_at = models.DateTimeField()
    due_at = models.DateTimeField(null=True, blank=True)
    amount = models.FloatField(null=True, blank=True, help_text="the present value of the monitored amount")
    amount_unit = models.CharField(max_length=30, blank=True, help_text="its code, e.g. rh_pct or hot_h")
    amount_falls = models.BooleanField(default=False, help_text="worse the smaller it is, as stock")
    urgent_since = models.DateTimeField(null=True, blank=True, help_text="when it became urgent, once")
    snoozed_until = models.DateTimeField(null=True, blank=True)
    snoozed_until_amount = models.FloatField(null=True, blank=True)
    ended_at = models.DateTimeField(null=True, blank=True)
    ending = models.CharField(max_length=10, choices=Ending, blank=True)
    note = models.CharField(max_length=300, blank=True)
    ended_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, blank=True)

    class Meta:
        ordering = ["-opened_at", "-id"]
        constraints = [
            models.UniqueConstraint(
                fields=["condition"],
                condition=Q(ended_at__isnull=True),
                name="one_open_reminder_per_condition",
            )
        ]

    def __str__(self) -> str:
        return self.title

    @property
    def title(self) -> str:
        """The act and its subject, in one line."""
        return self.reason.title


class ReminderEvent(models.Model):
    """An event in the history of a reminder, and the content of messages. Added, never changed."""

    class Type(models.TextChoices):
        OPENED = "opened", _("opened")
        URGENT = "urgent", _("became urgent")
        SNOOZED = "snoozed", _("snoozed")
        RETURNED = "returned", _("open again")
        COMPLETED = "completed", _("completed")
        RESOLVED = "resolved", _("resolved by itself")

    reminder = models.ForeignKey(Reminder, models.CASCADE, related_name="events")
    type = models.CharField(max_length=10, choices=Type)
    at = models.DateTimeField()
    detail = StatementField(null=True, help_text="the end of a snooze, a note, or the amount")
    by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, blank=True)

    class Meta:
        ordering = ["at", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["reminder", "type"],
                condition=Q(type__in=["opened", "urgent", "resolved"]),
                name="reminder_event_once",
            )
        ]

    def __str__(self) -> str:
        return f"{self.reminder}: {self.get_type_display()}"
