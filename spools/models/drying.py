from django.conf import settings
from django.db import models
from django.db.models import F, Q

from .places import Place
from .stock import MassEntry, Spool


class DryingRun(models.Model):
    """A spool in a dryer at a set point, from start to end.

    The cap on the set point is checked in spools/drying.py, on every path; ``cap_c`` keeps what it was.
    """

    spool = models.ForeignKey(Spool, models.PROTECT, related_name="drying_runs")
    dryer = models.ForeignKey(Place, models.PROTECT, related_name="drying_runs")
    set_point_c = models.FloatField()
    cap_c = models.FloatField()
    cap_reason = models.CharField(max_length=200)
    planned_hours = models.FloatField()
    target_pct = models.FloatField()
    start = models.DateTimeField()
    end = models.DateTimeField(null=True, blank=True)
    before = models.OneToOneField(
        MassEntry, models.PROTECT, null=True, blank=True, related_name="drying_run_before"
    )
    after = models.OneToOneField(
        MassEntry, models.PROTECT, null=True, blank=True, related_name="drying_run_after"
    )
    recorded_at = models.DateTimeField(auto_now_add=True)
    recorded_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, blank=True)

    class Meta:
        ordering = ["start", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["spool"], condition=Q(end__isnull=True), name="spool_in_one_drying_run"
            ),
            models.CheckConstraint(
                condition=Q(end__isnull=True) | Q(end__gt=F("start")), name="drying_run_ends_after_start"
            ),
            models.CheckConstraint(condition=Q(set_point_c__lte=F("cap_c")), name="set_point_below_cap"),
        ]

    def __str__(self) -> str:
        return f"{self.spool_id} at {self.set_point_c:g} °C from {self.start:%Y-%m-%d %H:%M}"
