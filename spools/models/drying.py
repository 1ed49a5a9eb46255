from datetime import datetime, timedelta
from itertools import pairwise

from django.db import models
from django.db.models import F, Q
from django.db.models.functions import Coalesce

from spools.wording import format_set_points

from .catalogue import Feedstock
from .facts import ValidManager, Withdrawable
from .places import Place
from .statements import StatementField
from .stays import Move
from .stock import MassEntry, Spool


class DryingRun(Withdrawable):
    """A spool in a dryer at a set point, from start to end; some runs have a cooler first stage.

    Every start passes spools/drying/gate.py. ``cap_c`` stores the highest set point that was allowed,
    ``start_cap_c`` the highest at the start. ``planned_hours`` are those of all stages. A run that was entered
    after it was over may have been hotter; its ``hold`` is the limit then.
    """

    spool = models.ForeignKey(Spool, models.PROTECT, related_name="drying_runs")
    dryer = models.ForeignKey(Place, models.PROTECT, related_name="drying_runs")
    first_set_point_c = models.FloatField(null=True, blank=True)
    first_hours = models.FloatField(null=True, blank=True)
    set_point_c = models.FloatField()
    start_cap_c = models.FloatField()
    cap_c = models.FloatField()
    cap_reason = StatementField(null=True)
    planned_hours = models.FloatField()
    target_pct = models.FloatField()
    # The outermost grams that are to get dry; without it all of the spool.
    mass_g = models.FloatField(null=True, blank=True)
    start = models.DateTimeField()
    end = models.DateTimeField(null=True, blank=True)
    entered_late = models.BooleanField(default=False, help_text="after it was over, past the gate")
    move = models.ForeignKey(
        Move, models.PROTECT, null=True, related_name="+", help_text="by which it came into the dryer"
    )
    move_out = models.ForeignKey(Move, models.PROTECT, null=True, related_name="+")
    # Why the spool does not get dry in it, where it was started all the same, and why it was.
    hold = StatementField(null=True, blank=True)
    override_reason = models.CharField(max_length=300, blank=True)
    before = models.OneToOneField(
        MassEntry, models.PROTECT, null=True, blank=True, related_name="drying_run_before"
    )
    after = models.OneToOneField(
        MassEntry, models.PROTECT, null=True, blank=True, related_name="drying_run_after"
    )

    objects = ValidManager()  # type: ignore[misc,assignment]
    recorded = models.Manager()

    class Meta:
        ordering = ["start", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["spool"],
                condition=Q(end__isnull=True, withdrawn_at__isnull=True),
                name="spool_in_one_drying_run",
            ),
            models.CheckConstraint(
                condition=Q(end__isnull=True) | Q(end__gt=F("start")), name="drying_run_ends_after_start"
            ),
            models.CheckConstraint(
                condition=Q(hold__isnull=True) | ~Q(override_reason="") | Q(entered_late=True),
                name="drying_hold_needs_a_reason",
            ),
            models.CheckConstraint(
                condition=Q(set_point_c__lte=F("cap_c")) | Q(entered_late=True), name="set_point_below_cap"
            ),
            models.CheckConstraint(
                condition=Q(start_cap_c__gte=Coalesce("first_set_point_c", "set_point_c"))
                | Q(entered_late=True),
                name="drying_starts_below_its_cap",
            ),
            models.CheckConstraint(
                condition=Q(first_set_point_c__isnull=True, first_hours__isnull=True)
                | Q(
                    # A comparison with nothing is not false for a database.
                    first_set_point_c__isnull=False,
                    first_hours__isnull=False,
                    first_set_point_c__lt=F("set_point_c"),
                    first_hours__gt=0,
                    first_hours__lt=F("planned_hours"),
                ),
                name="drying_first_stage_is_cooler",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.spool_id} at {self.set_point_c:g} °C from {self.start:%Y-%m-%d %H:%M}"

    @property
    def weighed_before(self) -> MassEntry | None:
        """The weighing before, unless it was withdrawn."""
        return self.before if self.before is not None and self.before.withdrawn_at is None else None

    @property
    def weighed_after(self) -> MassEntry | None:
        """The weighing after, unless it was withdrawn."""
        return self.after if self.after is not None and self.after.withdrawn_at is None else None

    @property
    def change_at(self) -> datetime | None:
        """When the first stage is over; None without one."""
        return None if self.first_hours is None else self.start + timedelta(hours=self.first_hours)

    @property
    def planned_end(self) -> datetime:
        """When its planned hours are over."""
        return self.start + timedelta(hours=self.planned_hours)

    @property
    def temperatures(self) -> str:
        """Its set points in words."""
        return format_set_points(self.set_point_c, self.first_set_point_c, self.first_hours)

    @property
    def planned_stages(self) -> list[tuple[float, float]]:
        """(set point in °C, hours) of each stage, as they were planned."""
        if self.first_set_point_c is None or self.first_hours is None:
            return [(self.set_point_c, self.planned_hours)]
        rest = (self.set_point_c, self.planned_hours - self.first_hours)
        return [(self.first_set_point_c, self.first_hours), rest]

    def set_point_at(self, at: datetime) -> float:
        """The set point of the stage that it is in then, °C."""
        if self.first_set_point_c is None or self.change_at is None or at >= self.change_at:
            return self.set_point_c
        return self.first_set_point_c

    def stages_until(self, until: datetime) -> list[tuple[float, float]]:
        """(set point in °C, hours) of each stage, as far as the run had come by then."""
        end = until if self.end is None else min(until, self.end)
        change = self.change_at
        marks = [self.start, end] if change is None or change >= end else [self.start, change, end]
        return [(self.set_point_at(a), (b - a) / timedelta(hours=1)) for a, b in pairwise(marks)]


class CouponTest(Withdrawable):
    """A fact: a loop of a feedstock was an hour at a temperature, and its turns parted freely or did not."""

    feedstock = models.ForeignKey(Feedstock, models.PROTECT, related_name="coupon_tests")
    temperature_c = models.FloatField()
    passed = models.BooleanField()
    at = models.DateTimeField()

    class Meta:
        ordering = ["at", "id"]

    def __str__(self) -> str:
        return f"{self.feedstock_id} {'passed' if self.passed else 'failed'} at {self.temperature_c:g} °C"
