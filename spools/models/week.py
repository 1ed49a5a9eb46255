"""The drying plan of the week: print requests, and the dryings that are planned for them."""

from datetime import datetime

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext as _

from spools.codes import pretty
from spools.wording import format_mass, format_set_points

from .catalogue import Feedstock, Polymer
from .drying import DryingRun
from .facts import Recorded, Withdrawable
from .places import Place
from .statements import StatementField
from .stock import Spool


class PrintRequest(Withdrawable):
    """A print that is wanted by a time: grams of a material that must be good then."""

    name = models.CharField(max_length=80, blank=True)
    # One of the three: this very spool, or any spool of it with enough filament.
    spool = models.ForeignKey(Spool, models.PROTECT, null=True, blank=True, related_name="+")
    feedstock = models.ForeignKey(Feedstock, models.PROTECT, null=True, blank=True, related_name="+")
    polymer = models.ForeignKey(Polymer, models.PROTECT, null=True, blank=True, related_name="+")
    mass_g = models.FloatField()
    due_at = models.DateTimeField(help_text="when it is to be good")
    urgent = models.BooleanField(default=False, help_text="its lateness counts four times")

    class Meta:
        ordering = ["due_at", "id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(spool__isnull=False, feedstock__isnull=True, polymer__isnull=True)
                | Q(spool__isnull=True, feedstock__isnull=False, polymer__isnull=True)
                | Q(spool__isnull=True, feedstock__isnull=True, polymer__isnull=False),
                name="print_request_of_one_thing",
            ),
            models.CheckConstraint(condition=Q(mass_g__gt=0), name="print_request_grams_above_zero"),
        ]

    def __str__(self) -> str:
        if self.name:
            return self.name
        return _("{mass} of {material}").format(mass=format_mass(self.mass_g, -2), material=self.material)

    @property
    def material(self) -> str:
        """The material or spool, in words."""
        return pretty(self.spool.code) if self.spool else str(self.feedstock or self.polymer)


class WeekPlan(models.Model):
    """A proposal of dryings. Acceptance and replacement are added with their times."""

    # The hours, in the shop's zone, in which somebody is there to put spools in and take them out.
    staffed_from = models.TimeField()
    staffed_to = models.TimeField()
    asked_at = models.DateTimeField(auto_now_add=True)
    asked_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, blank=True, related_name="+"
    )
    # Empty while it is being computed.
    made_at = models.DateTimeField(null=True, blank=True)
    notes = StatementField(default=list, blank=True)
    accepted_at = models.DateTimeField(null=True, blank=True)
    accepted_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, blank=True, related_name="+"
    )
    ended_at = models.DateTimeField(null=True, blank=True, help_text="when it was replaced or rejected")

    class Meta:
        ordering = ["-asked_at", "-id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(staffed_from__lt=F("staffed_to")), name="staffed_from_before_to"
            ),
            models.CheckConstraint(
                condition=Q(accepted_at__isnull=True) | Q(made_at__isnull=False),
                name="accepted_when_computed",
            ),
        ]

    def __str__(self) -> str:
        return f"Plan of {self.asked_at:%Y-%m-%d %H:%M}"

    def standing(self) -> "models.QuerySet[PlannedDrying]":
        """Its dryings that were neither cancelled nor moved, with the related rows that are shown."""
        return self.dryings.filter(ended_at=None).select_related(
            "spool__feedstock__polymer",
            "spool__feedstock__maker",
            "spool__feedstock__filler",
            "dryer__room",
            "run",
        )


class PlannedDrying(Recorded):
    """A spool that is to be in a dryer from start to end. A change ends it and adds another one."""

    plan = models.ForeignKey(WeekPlan, models.CASCADE, related_name="dryings")
    spool = models.ForeignKey(Spool, models.PROTECT, related_name="+")
    dryer = models.ForeignKey(Place, models.PROTECT, related_name="+")
    first_set_point_c = models.FloatField(null=True, blank=True)
    first_hours = models.FloatField(null=True, blank=True)
    set_point_c = models.FloatField()
    start = models.DateTimeField()
    end = models.DateTimeField()
    target_pct = models.FloatField()
    mass_g = models.FloatField(null=True, blank=True, help_text="only the outermost turns; empty: all of it")
    pinned = models.BooleanField(default=False, help_text="stays as it is when it is planned again")
    ended_at = models.DateTimeField(null=True, blank=True, help_text="when it was cancelled or moved")
    ended_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, blank=True, related_name="+"
    )
    # The run that was started for it.
    run = models.OneToOneField(
        DryingRun, models.PROTECT, null=True, blank=True, related_name="planned_drying"
    )

    class Meta:
        ordering = ["start", "dryer", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["plan", "spool"], condition=Q(ended_at__isnull=True), name="spool_planned_once"
            ),
            models.CheckConstraint(condition=Q(end__gt=F("start")), name="planned_drying_ends_after_start"),
            models.CheckConstraint(
                condition=Q(first_set_point_c__isnull=True, first_hours__isnull=True)
                | Q(
                    first_set_point_c__isnull=False,
                    first_hours__isnull=False,
                    first_set_point_c__lt=F("set_point_c"),
                    first_hours__gt=0,
                ),
                name="planned_first_stage_is_cooler",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.spool_id} at {self.set_point_c:g} °C from {self.start:%Y-%m-%d %H:%M}"

    @property
    def dry_at(self) -> datetime:
        """When it is over; once it has begun by its run, which may be another one than was planned."""
        return self.end if self.run is None else self.run.end or self.run.planned_end

    @property
    def hours(self) -> float:
        """Of all stages."""
        return (self.end - self.start).total_seconds() / 3600

    @property
    def stages(self) -> list[tuple[float, float]]:
        """(set point in °C, hours) of each stage."""
        if self.first_set_point_c is None or self.first_hours is None:
            return [(self.set_point_c, self.hours)]
        return [
            (self.first_set_point_c, min(self.first_hours, self.hours)),
            (self.set_point_c, max(0.0, self.hours - self.first_hours)),
        ]

    @property
    def temperatures(self) -> str:
        """Its set points in words."""
        return format_set_points(self.set_point_c, self.first_set_point_c, self.first_hours)


class PlannedPrint(models.Model):
    """A print request in a plan: its spool, dried or as it is, and why it is late or not made."""

    plan = models.ForeignKey(WeekPlan, models.CASCADE, related_name="prints")
    request = models.ForeignKey(PrintRequest, models.PROTECT, related_name="planned")
    spool = models.ForeignKey(Spool, models.PROTECT, null=True, blank=True, related_name="+")
    dried = models.BooleanField(default=False, help_text="good only after its planned drying")
    good_at = models.DateTimeField(null=True, blank=True, help_text="after drying, as it was planned")
    reason = StatementField(null=True, help_text="why it is late or not made; null: it is in time")

    class Meta:
        ordering = ["request__due_at", "id"]
        constraints = [models.UniqueConstraint(fields=["plan", "request"], name="print_request_planned_once")]

    def __str__(self) -> str:
        return f"{self.request_id} in plan {self.plan_id}"
