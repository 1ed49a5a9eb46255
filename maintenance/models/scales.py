from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from spools import limits
from spools.models import MassEntry, Place, Spool
from spools.models.facts import Recorded
from spools.models.versions import Versioned


class Scale(Versioned):
    """A scale that sends its values. At a place it weighs the spool that was scanned there."""

    name = models.CharField(_("name"), max_length=60, unique=True)
    step_g = models.FloatField(_("smallest step, g"), default=1.0, validators=limits.SCALE_STEP_G.validators)
    tare_g = models.FloatField(
        _("what it shows without a spool, g"),
        default=0.0,
        validators=limits.SCALE_TARE_G.validators,
        help_text=_("The holder or tray, where the scale does not subtract it itself."),
    )
    place = models.ForeignKey(
        Place,
        models.PROTECT,
        null=True,
        blank=True,
        related_name="scales",
    )

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name


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
