from django.conf import settings
from django.db import models
from django.db.models import Q

from spools.models import Feedstock, Place, Spool

from .machines import Printer, Toolhead
from .parts import Part, PartKind


class Reminder(models.Model):
    """Something due. One is open per cause; it ends by itself when the cause is gone, or as done."""

    class Kind(models.TextChoices):
        DRY = "dry", "re-dry"
        REPLACE = "replace", "replace"
        REORDER = "reorder", "reorder"
        DRYER_UP = "dryer_up", "turn the dryer up"
        DRYING_DONE = "drying_done", "take out of the dryer"
        REGENERATE = "regenerate", "regenerate desiccant"
        FLOW_CHECK = "flow_check", "flow check"
        FLOW_CHART = "flow_chart", "flow loss changes"
        CLEAN = "clean", "clean"
        SERVICE = "service", "service"
        LEAK = "leak", "dry box leaks"
        WEIGH = "weigh", "weigh"
        HEAT = "heat", "heat budget"
        SENSOR = "sensor", "sensor silent"

    class Ending(models.TextChoices):
        GONE = "gone", "the cause is gone"
        DONE = "done", "done"

    kind = models.CharField(max_length=20, choices=Kind)
    cause = models.CharField(
        max_length=80, help_text="what makes it one: kind and subject, e.g. dry:spool:12"
    )
    title = models.CharField(max_length=160)
    why = models.CharField(max_length=300, help_text="the number and the limit")
    remedy = models.CharField(max_length=200)
    spool = models.ForeignKey(Spool, models.CASCADE, null=True, blank=True, related_name="reminders")
    part = models.ForeignKey(Part, models.CASCADE, null=True, blank=True, related_name="reminders")
    toolhead = models.ForeignKey(Toolhead, models.CASCADE, null=True, blank=True, related_name="reminders")
    printer = models.ForeignKey(Printer, models.CASCADE, null=True, blank=True, related_name="reminders")
    part_kind = models.ForeignKey(PartKind, models.CASCADE, null=True, blank=True, related_name="reminders")
    feedstock = models.ForeignKey(Feedstock, models.CASCADE, null=True, blank=True, related_name="reminders")
    place = models.ForeignKey(Place, models.CASCADE, null=True, blank=True, related_name="reminders")
    raised_at = models.DateTimeField()
    due_at = models.DateTimeField(null=True, blank=True)
    amount = models.FloatField(
        null=True, blank=True, help_text="the number that the cause is told by, as it is now"
    )
    amount_unit = models.CharField(max_length=30, blank=True)
    amount_falls = models.BooleanField(default=False, help_text="worse the smaller it is, as stock")
    escalated_at = models.DateTimeField(null=True, blank=True, help_text="When it became pressing, once.")
    snoozed_until = models.DateTimeField(null=True, blank=True)
    snoozed_until_amount = models.FloatField(null=True, blank=True)
    ended_at = models.DateTimeField(null=True, blank=True)
    ending = models.CharField(max_length=10, choices=Ending, blank=True)
    note = models.CharField(max_length=300, blank=True)
    ended_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, blank=True)

    class Meta:
        ordering = ["-raised_at", "-id"]
        constraints = [
            models.UniqueConstraint(
                fields=["cause"], condition=Q(ended_at__isnull=True), name="one_open_reminder_per_cause"
            )
        ]

    def __str__(self) -> str:
        return self.title


class ReminderEvent(models.Model):
    """Something that happened to a reminder: its history, and what messages tell. Added, never changed."""

    class What(models.TextChoices):
        RAISED = "raised", "raised"
        ESCALATED = "escalated", "became pressing"
        SNOOZED = "snoozed", "put off"
        BACK = "back", "came back"
        DONE = "done", "done"
        GONE = "gone", "its cause is gone"

    reminder = models.ForeignKey(Reminder, models.CASCADE, related_name="events")
    what = models.CharField(max_length=10, choices=What)
    at = models.DateTimeField()
    said = models.CharField(max_length=300, blank=True, help_text="until when, a note, or the number then")
    by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, blank=True)

    class Meta:
        ordering = ["at", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["reminder", "what"],
                condition=Q(what__in=["raised", "escalated", "done", "gone"]),
                name="reminder_event_once",
            )
        ]

    def __str__(self) -> str:
        return f"{self.reminder}: {self.get_what_display()}"
