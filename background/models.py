from uuid import uuid4

from django.db import models
from django.db.models import Q
from django.utils import timezone

from background.queues import DEFAULT_QUEUE


class WorkItem(models.Model):
    """One piece of background work. The row is the truth; a message of Celery only starts a worker on it."""

    class State(models.TextChoices):
        QUEUED = "queued"
        RUNNING = "running"
        DONE = "done"
        FAILED = "failed"

    id = models.UUIDField(primary_key=True, default=uuid4, editable=False, help_text="Of its task, too.")
    name = models.CharField(
        max_length=100, help_text="As registered with @background_work, and of the Celery task."
    )
    queue = models.CharField(max_length=20, default=DEFAULT_QUEUE)
    args = models.JSONField(default=dict, help_text="Keyword arguments of the registered function.")
    key = models.CharField(
        max_length=200, null=True, blank=True, unique=True, help_text="Unique until the row is deleted."
    )
    singleton_key = models.CharField(
        max_length=200, blank=True, help_text="Unique among the rows that wait or run."
    )
    origin = models.CharField(max_length=64, blank=True, help_text="Id of the web request that added it.")
    state = models.CharField(max_length=10, choices=State, default=State.QUEUED)
    attempts = models.PositiveSmallIntegerField(default=0)
    due = models.DateTimeField(default=timezone.now)
    claim = models.UUIDField(null=True, editable=False, help_text="Token of the run that may finish it.")
    holder = models.CharField(max_length=300, blank=True, help_text="The worker that runs or ran it.")
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
                fields=["singleton_key"],
                condition=Q(state__in=["queued", "running"]) & ~Q(singleton_key=""),
                name="work_item_singleton",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.name} ({self.key or self.id}, {self.state})"


LIVE = [WorkItem.State.QUEUED, WorkItem.State.RUNNING]
