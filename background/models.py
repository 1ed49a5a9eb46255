from uuid import uuid4

from django.db import models
from django.db.models import Q
from django.utils import timezone


class WorkItem(models.Model):
    """One piece of background work. The row is the truth; a broker only wakes whoever runs it."""

    class State(models.TextChoices):
        QUEUED = "queued"
        RUNNING = "running"
        DONE = "done"
        FAILED = "failed"

    id = models.UUIDField(primary_key=True, default=uuid4, editable=False)
    name = models.CharField(max_length=100, help_text="What to run, as registered with @work.")
    args = models.JSONField(default=dict, help_text="Keyword arguments of the registered function.")
    key = models.CharField(
        max_length=200, null=True, blank=True, unique=True, help_text="Given once, kept until pruned."
    )
    live_key = models.CharField(
        max_length=200, blank=True, help_text="Given to one item at a time that waits or runs."
    )
    origin = models.CharField(max_length=64, blank=True, help_text="The web request that asked for it.")
    state = models.CharField(max_length=10, choices=State, default=State.QUEUED)
    attempts = models.PositiveSmallIntegerField(default=0)
    due = models.DateTimeField(default=timezone.now)
    claim = models.UUIDField(null=True, editable=False, help_text="Of the one run that may finish it.")
    holder = models.CharField(max_length=300, blank=True, help_text="The worker that runs it.")
    lease_until = models.DateTimeField(null=True, blank=True, help_text="From then on another may run it.")
    error = models.TextField(blank=True, help_text="Of the last run that failed.")
    added = models.DateTimeField(default=timezone.now)
    finished = models.DateTimeField(null=True, blank=True)
    duration_s = models.FloatField(null=True, blank=True)

    class Meta:
        indexes = [
            models.Index(fields=["state", "due"], name="work_item_state_due"),
            models.Index(fields=["name", "finished"], name="work_item_name_finished"),
            models.Index(fields=["finished"], name="work_item_finished"),
        ]
        constraints = [
            models.CheckConstraint(
                condition=~Q(state="running") | Q(claim__isnull=False, lease_until__isnull=False),
                name="work_item_running_is_claimed",
            ),
            models.UniqueConstraint(
                fields=["live_key"],
                condition=Q(state__in=["queued", "running"]) & ~Q(live_key=""),
                name="work_item_live_key_once",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.name} ({self.key or self.id}, {self.state})"
