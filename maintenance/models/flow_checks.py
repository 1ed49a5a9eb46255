from django.db import models
from django.db.models import F, Q

from maintenance import limits
from spools.models import MassEntry, Spool
from spools.models.facts import Withdrawable

from .machines import Toolhead


class FlowCheck(Withdrawable):
    """Blobs of one commanded length, extruded at rising rates and weighed. Never changed, only withdrawn.

    The parts that were checked follow from the fittings, the density from the feedstock.
    """

    toolhead = models.ForeignKey(Toolhead, models.PROTECT, related_name="flow_checks")
    spool = models.ForeignKey(Spool, models.PROTECT, related_name="flow_checks")
    at = models.DateTimeField()
    nozzle_c = models.FloatField(validators=limits.NOZZLE_C.validators)
    length_mm = models.FloatField(help_text="filament commanded for each blob")
    diameter_mm = models.FloatField()
    diameter_tolerance_mm = models.FloatField()
    resolution_g = models.FloatField(help_text="the scale's smallest step")
    note = models.CharField(max_length=300, blank=True)
    entry = models.OneToOneField(MassEntry, models.PROTECT, related_name="flow_check")

    class Meta:
        ordering = ["at", "id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(length_mm__gt=0, resolution_g__gt=0, diameter_tolerance_mm__gte=0)
                & Q(diameter_mm__gt=F("diameter_tolerance_mm")),
                name="flow_check_can_be_worked_out",
            )
        ]

    def __str__(self) -> str:
        return f"flow check of {self.toolhead_id} on {self.at:%Y-%m-%d %H:%M}"


class FlowBlob(models.Model):
    """One blob of a check; the slowest rate is the reference."""

    flow_check = models.ForeignKey(FlowCheck, models.CASCADE, related_name="blobs")
    flow_mm3_s = models.FloatField()
    repeat = models.PositiveSmallIntegerField(help_text="1 for the first blob of this rate")
    mass_g = models.FloatField()

    class Meta:
        ordering = ["flow_mm3_s", "repeat"]
        constraints = [
            models.UniqueConstraint(fields=["flow_check", "flow_mm3_s", "repeat"], name="flow_blob_once"),
            models.CheckConstraint(
                condition=Q(flow_mm3_s__gt=0, mass_g__gte=0), name="flow_blob_is_possible"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.mass_g:g} g at {self.flow_mm3_s:g} mm³/s"
