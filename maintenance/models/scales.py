from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from spools import limits
from spools.models import MassEntry, Place, Spool
from spools.models.facts import Recorded
from spools.models.versions import Versioned

from .jobs import Job
from .machines import Toolhead


class Scale(Versioned):
    """A scale that sends its values.

    At a place it weighs the spool that was scanned there; under the holder of a toolhead, the spool that is loaded.
    """

    name = models.CharField(max_length=60, unique=True)
    step_g = models.FloatField(default=1.0, validators=limits.SCALE_STEP_G.validators)
    tare_g = models.FloatField(
        default=0.0,
        validators=limits.SCALE_TARE_G.validators,
        help_text="what it shows without a spool",
    )
    place = models.ForeignKey(
        Place,
        models.PROTECT,
        null=True,
        blank=True,
        related_name="scales",
    )

    toolhead = models.ForeignKey(
        Toolhead,
        models.PROTECT,
        null=True,
        blank=True,
        related_name="scales",
        help_text="whose holder it carries",
    )
    slot = models.PositiveSmallIntegerField(default=1, help_text="of the toolhead, from 1")
    # As last seen without a spool: a cache of the minutes that were kept then.
    zero_g = models.FloatField(null=True, editable=False)
    zero_at = models.DateTimeField(null=True, editable=False)

    class Meta:
        ordering = ["name"]
        constraints = [
            models.CheckConstraint(
                condition=Q(place=None) | Q(toolhead=None),
                name="scale_place_or_toolhead",
                violation_error_code="place_or_toolhead",
                violation_error_message=_("Choose the place or the toolhead, not both."),
            ),
            models.UniqueConstraint(
                fields=["toolhead", "slot"],
                condition=Q(toolhead__isnull=False),
                name="one_scale_under_a_holder",
                violation_error_code="has_a_scale",
                violation_error_message=_("Another scale is under this holder. Take that one off it first."),
            ),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def holder(self) -> str:
        """The toolhead and slot in words whose spool it carries."""
        return self.toolhead.name_slot(self.slot) if self.toolhead else ""


class Scan(Recorded):
    """A spool's label was scanned at a place."""

    spool = models.ForeignKey(Spool, models.PROTECT, related_name="scans")
    place = models.ForeignKey(Place, models.PROTECT, related_name="scans")
    at = models.DateTimeField()

    class Meta:
        ordering = ["at", "id"]
        constraints = [models.UniqueConstraint(fields=["place", "at", "spool"], name="scan_once")]

    def __str__(self) -> str:
        return f"{self.spool_id} at {self.place_id} at {self.at:%Y-%m-%d %H:%M}"


class ScaleWeighing(Recorded):
    """A mass that a scale sent as a weighing. It is in the books (entry), held with a reason, or set aside."""

    scale = models.ForeignKey(Scale, models.PROTECT, related_name="weighings")
    sent_id = models.CharField(max_length=100, blank=True, help_text="the sender's own")
    at = models.DateTimeField()
    mass_g = models.FloatField(help_text="as the scale showed it")
    is_net = models.BooleanField(default=False, help_text="without the reel")
    code = models.CharField(max_length=100, blank=True, help_text="of the spool, as sent")
    spool = models.ForeignKey(
        Spool,
        models.PROTECT,
        null=True,
        related_name="+",
        help_text="whose it is, or may be while it is held",
    )
    entry = models.ForeignKey(MassEntry, models.PROTECT, null=True, related_name="scale_weighings")
    error_g = models.FloatField(null=True, help_text="plus or minus; empty: the step of the scale")
    held = models.CharField(
        max_length=40, blank=True, help_text="why: the code of a reason; empty: it waits no more"
    )

    class Meta:
        ordering = ["-at", "-id"]
        constraints = [
            models.UniqueConstraint(
                fields=["scale", "sent_id"], condition=~Q(sent_id=""), name="scale_weighing_once"
            )
        ]
        indexes = [
            models.Index(fields=["scale", "at"], name="scale_weighing_at"),
            models.Index(fields=["at"], name="scale_weighing_held", condition=~Q(held="")),
        ]

    def __str__(self) -> str:
        return f"{self.mass_g:g} g on {self.scale_id}"


class ScaleMinute(models.Model):
    """The values of one minute of a scale that sends all the time: kept for some days (maintenance/scales/values.py)."""

    scale = models.ForeignKey(Scale, models.CASCADE, related_name="minutes")
    at = models.DateTimeField(help_text="its start")
    values_g = models.JSONField(help_text="by second")

    class Meta:
        ordering = ["at"]
        constraints = [models.UniqueConstraint(fields=["scale", "at"], name="scale_minute_once")]

    def __str__(self) -> str:
        return f"{self.scale_id} at {self.at:%Y-%m-%d %H:%M}"


class ScalePrint(models.Model):
    """The grams of a print by the scale under its spool: the mass before it and after it."""

    scale = models.ForeignKey(Scale, models.PROTECT, related_name="prints")
    job = models.ForeignKey(Job, models.CASCADE, related_name="scale_prints")
    spool = models.ForeignKey(Spool, models.PROTECT, related_name="+")
    before_g = models.FloatField()
    after_g = models.FloatField()
    error_g = models.FloatField(help_text="of the difference, plus or minus")
    weighing = models.ForeignKey(ScaleWeighing, models.PROTECT, related_name="+")

    class Meta:
        ordering = ["-pk"]
        constraints = [models.UniqueConstraint(fields=["scale", "job"], name="print_weighed_once")]

    def __str__(self) -> str:
        return f"{self.job_id} on {self.scale_id}"

    @property
    def mass_g(self) -> float:
        """What the print took, by the scale."""
        return self.before_g - self.after_g
