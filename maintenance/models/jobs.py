from django.db import models

from maintenance import limits
from spools.models import MassEntry, Spool
from spools.models.facts import Withdrawable
from spools.models.statements import StatementField

from .job_files import JobFile
from .machines import Printer, Toolhead
from .parts import Part


class Job(Withdrawable):
    """One print that was made. Withdrawing it (a mistake) is a fact too: the grams return."""

    printer = models.ForeignKey(Printer, models.PROTECT, related_name="jobs")
    name = models.CharField(max_length=120)
    start = models.DateTimeField()
    hours = models.FloatField(validators=limits.JOB_HOURS.validators)
    nozzle_c = models.FloatField(validators=limits.NOZZLE_C.validators)
    bed_c = models.FloatField(validators=limits.BED_C.validators)
    max_flow_mm3_s = models.FloatField(null=True, blank=True, validators=limits.FLOW_MM3_S.validators)
    state = models.CharField(max_length=10, help_text="the verdict at the start: clear, caution or hold")
    reasons = models.JSONField(default=list)
    override_reason = models.CharField(max_length=300, blank=True)
    file = models.ForeignKey(JobFile, models.PROTECT, null=True, blank=True, related_name="jobs")
    stopped = StatementField(null=True, help_text="where in its file it stopped early")

    class Meta:
        ordering = ["-start", "-id"]
        indexes = [models.Index(fields=["printer", "start"], name="job_printer_start")]
        constraints = [
            models.CheckConstraint(
                condition=~models.Q(state="hold") | ~models.Q(override_reason=""),
                name="job_on_hold_needs_a_reason",
            )
        ]

    def __str__(self) -> str:
        return self.name


class JobUse(models.Model):
    """The share of one spool in a job, through one toolhead."""

    job = models.ForeignKey(Job, models.CASCADE, related_name="uses")
    toolhead = models.ForeignKey(Toolhead, models.PROTECT, related_name="job_uses")
    spool = models.ForeignKey(Spool, models.PROTECT, related_name="job_uses")
    mass_g = models.FloatField(validators=limits.JOB_G.validators)
    retracted_m = models.FloatField(
        null=True, blank=True, help_text="filament pulled back by all its retractions, m; empty: not known"
    )
    entry = models.OneToOneField(MassEntry, models.PROTECT, related_name="job_use")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["job", "toolhead", "spool"], name="spool_once_in_a_job")
        ]

    def __str__(self) -> str:
        return f"{self.mass_g:g} g of {self.spool_id} for {self.job_id}"


class WearEntry(models.Model):
    """The wear of a part by a spool's share of a job: a cache of jobs and fittings (``manage.py rebuild``)."""

    part = models.ForeignKey(Part, models.CASCADE, related_name="wear")
    use = models.ForeignKey(JobUse, models.CASCADE, related_name="wear")
    dose_km = models.FloatField(help_text="sliding length times filler volume fraction and hardness regime")
    feed_km = models.FloatField(help_text="filament length weighted by its filler")
    hot_h = models.FloatField(help_text="hours at the temperature that the part's life is stated for")
    residue_h = models.FloatField(help_text="hours at the polymer's usual print temperature")
    hours = models.FloatField(help_text="hours of printing")
    prints = models.FloatField(help_text="1, or a spool's share of a job of several")
    mass_g = models.FloatField()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["part", "use"], name="wear_once")]

    def __str__(self) -> str:
        return f"{self.part_id} by {self.use_id}"
