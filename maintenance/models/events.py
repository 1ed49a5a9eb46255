"""The log of events: what scripts and webhooks learn of the shop. Written beside the facts, pruned after a time."""

from uuid import uuid4

from django.db import models
from django.db.models import Q
from django.utils import timezone
from django.utils.translation import gettext_lazy as _


class ShopEvent(models.Model):
    """An event in the log, written in the transaction of its fact. Added, never changed but for its number.

    sequence: its place in the log, given after its commit (maintenance/events/feed.py); the id is given before.
    """

    class Kind(models.TextChoices):
        SPOOL_RECEIVED = "spool.received", _("spool received")
        SPOOL_OPENED = "spool.opened", _("bag opened")
        SPOOL_MOVED = "spool.moved", _("spool moved")
        SPOOL_ENDED = "spool.ended", _("spool empty or gone")
        SPOOL_LOADED = "spool.loaded", _("spool loaded")
        SPOOL_UNLOADED = "spool.unloaded", _("spool taken off")
        DRYING_STARTED = "drying.started", _("drying started")
        DRYING_ENDED = "drying.ended", _("drying ended")
        JOB_STARTED = "job.started", _("job started")
        JOB_FINISHED = "job.finished", _("job finished")
        JOB_FAILED = "job.failed", _("job failed")
        JOB_STOPPED = "job.stopped", _("job stopped")
        PART_FITTED = "part.fitted", _("part fitted")
        PART_REMOVED = "part.removed", _("part removed")
        SERVICE_DONE = "service.done", _("service done")
        VERDICT_CHANGED = "verdict.changed", _("verdict changed")
        STOCK_LOW = "stock.low", _("stock low")
        WITHDRAWN = "event.withdrawn", _("event withdrawn")

    sequence = models.PositiveBigIntegerField(null=True, unique=True, editable=False)
    uid = models.UUIDField(default=uuid4, unique=True, editable=False)
    kind = models.CharField(max_length=20, choices=Kind)
    at = models.DateTimeField(help_text="when it happened")
    recorded_at = models.DateTimeField(default=timezone.now, db_index=True)
    fact = models.CharField(max_length=40, help_text="the kind and id of the fact that it is about")
    data = models.JSONField(default=dict, help_text="ids of its subjects and numbers, without sentences")
    withdraws = models.UUIDField(null=True, help_text="the uid of an earlier event that no longer counts")

    class Meta:
        ordering = ["sequence"]
        indexes = [
            models.Index(fields=["fact"], name="event_fact"),
            models.Index(fields=["id"], condition=Q(sequence=None), name="event_without_number"),
        ]

    def __str__(self) -> str:
        return f"{self.sequence}: {self.kind}"
