from django.conf import settings
from django.db import models

from maintenance.trouble.rules import OUTCOMES
from spools.models import Spool

from .jobs import Job
from .machines import Toolhead


class TroubleReport(models.Model):
    """A print that went wrong: what was seen, and the causes as they were told from the evidence then."""

    job = models.ForeignKey(Job, models.PROTECT, null=True, blank=True, related_name="troubles")
    toolhead = models.ForeignKey(Toolhead, models.PROTECT, related_name="troubles")
    spool = models.ForeignKey(Spool, models.PROTECT, related_name="troubles")
    at = models.DateTimeField(help_text="the start of the print that it was seen on")
    symptoms = models.JSONField(help_text="keys of maintenance.trouble.SYMPTOMS")
    findings = models.JSONField(help_text="the causes in their order, with the reasons, as shown")
    note = models.CharField(max_length=300, blank=True)
    recorded_at = models.DateTimeField(auto_now_add=True)
    recorded_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, blank=True)

    class Meta:
        ordering = ["-at", "-id"]

    def __str__(self) -> str:
        return f"Trouble on {self.toolhead}, {self.at:%Y-%m-%d %H:%M}"


class TroubleOutcome(models.Model):
    """What turned out to be the cause. The latest one of a report counts."""

    report = models.ForeignKey(TroubleReport, models.CASCADE, related_name="outcomes")
    cause = models.CharField(max_length=20, help_text="a key of maintenance.trouble.OUTCOMES")
    note = models.CharField(max_length=300, blank=True)
    recorded_at = models.DateTimeField(auto_now_add=True)
    recorded_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, blank=True)

    class Meta:
        ordering = ["id"]

    def __str__(self) -> str:
        return OUTCOMES[self.cause]
