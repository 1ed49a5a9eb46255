from django.db import models
from django.utils.translation import gettext_lazy as _

from spools.models import Spool
from spools.models.facts import Recorded, ValidManager, Withdrawable

from .jobs import Job
from .machines import Toolhead


class TroubleReport(Recorded):
    """A print that went wrong: its signs, and the causes as ranked from the evidence at that time."""

    job = models.ForeignKey(Job, models.PROTECT, null=True, blank=True, related_name="troubles")
    toolhead = models.ForeignKey(Toolhead, models.PROTECT, related_name="troubles")
    spool = models.ForeignKey(Spool, models.PROTECT, related_name="troubles")
    at = models.DateTimeField(help_text="the start of the print that it was seen on")
    symptoms = models.JSONField(help_text="keys of maintenance.trouble.causes.SYMPTOMS")
    findings = models.JSONField(help_text="the causes in their order, with the reasons")
    note = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["-at", "-id"]

    def __str__(self) -> str:
        return f"Trouble on {self.toolhead}, {self.at:%Y-%m-%d %H:%M}"


class TroubleOutcome(Withdrawable):
    """The cause that a person found. The latest outcome of a report counts."""

    class Cause(models.TextChoices):
        WET = "wet", _("The filament was wet")
        LEFTOVER = "leftover", _("Leftovers of the material before")
        TANGLE = "tangle", _("The spool held the filament back")
        SOFT_FILAMENT = "soft_filament", _("Soft filament buckles in a long tube")
        GEARS_DIRTY = "gears_dirty", _("Dust and shavings in the drive gears")
        GEARS_WORN = "gears_worn", _("Worn drive gears")
        RESIDUE = "residue", _("Residue narrows the hot end")
        HOT_END_FAN = "hot_end_fan", _("A weak hot-end fan: heat creeps up")
        NOZZLE_WORN = "nozzle_worn", _("Worn nozzle")
        LINER = "liner", _("Aged PTFE liner")
        SURFACE = "surface", _("A dirty or worn build surface")
        NATURE = "nature", _("That is this polymer's nature")
        SETTINGS = "settings", _("A setting, or another cause outside the consumables")
        NOT_FOUND = "not_found", _("No cause was found")
        MISTAKE = "mistake", _("Reported by mistake")

    report = models.ForeignKey(TroubleReport, models.CASCADE, related_name="outcomes")
    cause = models.CharField(max_length=20, choices=Cause)
    note = models.CharField(max_length=300, blank=True)

    objects = ValidManager()  # type: ignore[misc,assignment]
    recorded = models.Manager()

    class Meta:
        ordering = ["id"]

    def __str__(self) -> str:
        return self.get_cause_display()
