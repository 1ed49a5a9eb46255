from django.db import models
from django.utils.translation import gettext_lazy

from maintenance import limits
from spools.models import MassEntry, Spool
from spools.models.facts import Withdrawable
from spools.models.statements import StatementField

from .job_files import JobFile
from .machines import Printer, Toolhead
from .parts import Part


class Job(Withdrawable):
    """A print, from its plan to its end. Its events are the facts; withdrawing all of it is a fact too.

    The columns from stage on follow from its valid events (maintenance/jobs/life.py). A print that is over took its
    uses; before that it has reservations.
    """

    class Stage(models.TextChoices):
        PLANNED = "planned", gettext_lazy("planned")
        PRINTING = "printing", gettext_lazy("printing")
        FINISHED = "finished", gettext_lazy("finished")
        FAILED = "failed", gettext_lazy("failed")
        STOPPED = "stopped", gettext_lazy("stopped")

    ENDED = (Stage.FINISHED, Stage.FAILED, Stage.STOPPED)

    printer = models.ForeignKey(Printer, models.PROTECT, related_name="jobs")
    name = models.CharField(max_length=120)
    project = models.CharField(max_length=80, blank=True, help_text="or customer, for reports")
    nozzle_c = models.FloatField(validators=limits.NOZZLE_C.validators)
    bed_c = models.FloatField(validators=limits.BED_C.validators)
    max_flow_mm3_s = models.FloatField(null=True, blank=True, validators=limits.FLOW_MM3_S.validators)
    override_reason = models.CharField(max_length=300, blank=True)
    file = models.ForeignKey(JobFile, models.PROTECT, null=True, blank=True, related_name="jobs")
    reprint_of = models.ForeignKey("self", models.PROTECT, null=True, blank=True, related_name="reprints")
    stage = models.CharField(max_length=10, choices=Stage, default=Stage.PLANNED)
    start = models.DateTimeField(help_text="of the print; as planned before it began")
    end = models.DateTimeField(help_text="of the print; as expected before it was over")
    hours = models.FloatField(validators=limits.JOB_HOURS.validators)
    state = models.CharField(max_length=10, help_text="the verdict at the start: clear, caution or hold")
    reasons = models.JSONField(default=list)
    stopped = StatementField(null=True, help_text="where it stopped early")
    # Set on a job that is the answer to a print that was recorded before.
    known_before = False

    class Meta:
        ordering = ["-start", "-id"]
        indexes = [
            models.Index(fields=["printer", "start"], name="job_printer_start"),
            models.Index(
                fields=["stage"],
                name="job_not_over",
                condition=models.Q(stage__in=["planned", "printing"], withdrawn_at=None),
            ),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def is_over(self) -> bool:
        return self.stage in self.ENDED


class JobEvent(Withdrawable):
    """A step in the life of a job, as recorded. shares: rows of maintenance/jobs/shares.py.

    Of a plan or a start: the grams that it will take of each spool; of a change of spool: the grams that the former
    one gave, and the next one; of an end: the grams that were printed.
    """

    class Kind(models.TextChoices):
        PLANNED = "planned", gettext_lazy("planned")
        STARTED = "started", gettext_lazy("started")
        CHANGED = "changed", gettext_lazy("another spool")
        FINISHED = "finished", gettext_lazy("finished")
        FAILED = "failed", gettext_lazy("failed")
        STOPPED = "stopped", gettext_lazy("stopped")

    job = models.ForeignKey(Job, models.CASCADE, related_name="events")
    kind = models.CharField(max_length=10, choices=Kind)
    at = models.DateTimeField()
    hours = models.FloatField(null=True, help_text="expected at a plan or start, printed at an end")
    shares = models.JSONField(default=list)
    state = models.CharField(max_length=10, blank=True, help_text="the verdict at a plan or start")
    reasons = models.JSONField(default=list)
    parts = models.PositiveIntegerField(null=True, help_text="how many were printed at once")
    good_parts = models.PositiveIntegerField(null=True)
    reason = models.CharField(max_length=300, blank=True)
    stopped = StatementField(null=True, help_text="where it stopped early")
    basis = models.JSONField(
        default=list,
        help_text="ids of the printer's events from which it follows; none: a person's or script's",
    )

    class Meta:
        ordering = ["at", "id"]

    def __str__(self) -> str:
        return f"{self.get_kind_display()}, {self.job}"


class Reservation(models.Model):
    """The grams of a spool and the toolhead that a job will take: computed from the events of one that is not over."""

    job = models.ForeignKey(Job, models.CASCADE, related_name="reservations")
    toolhead = models.ForeignKey(Toolhead, models.CASCADE, related_name="reservations")
    spool = models.ForeignKey(Spool, models.CASCADE, related_name="reservations")
    mass_g = models.FloatField()
    nozzle_c = models.FloatField(null=True, help_text="of this spool, where the job has several")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["job", "toolhead", "spool"], name="spool_reserved_once")
        ]

    def __str__(self) -> str:
        return f"{self.mass_g:g} g of {self.spool_id} for {self.job_id}"


class JobUse(models.Model):
    """The share of one spool in a print that is over, through one toolhead: computed from the events of its job."""

    job = models.ForeignKey(Job, models.CASCADE, related_name="uses")
    toolhead = models.ForeignKey(Toolhead, models.PROTECT, related_name="job_uses")
    spool = models.ForeignKey(Spool, models.PROTECT, related_name="job_uses")
    mass_g = models.FloatField(validators=limits.JOB_G.validators)
    retracted_m = models.FloatField(
        null=True,
        blank=True,
        help_text="filament pulled back by all its retractions, m; empty: not known",
    )
    slot = models.PositiveSmallIntegerField(default=1, help_text="of the toolhead, from 1")
    changes = models.FloatField(default=0, help_text="of spool to this one")
    purge_g = models.FloatField(default=0, help_text="the part of its grams that these purge")
    entry = models.OneToOneField(MassEntry, models.PROTECT, related_name="job_use")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["job", "toolhead", "spool"], name="spool_once_in_a_job")
        ]

    def __str__(self) -> str:
        return f"{self.mass_g:g} g of {self.spool_id} for {self.job_id}"

    @property
    def site(self) -> str:
        """The toolhead and slot in words."""
        return self.toolhead.name_slot(self.slot)


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
