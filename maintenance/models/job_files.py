from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy

from maintenance import limits
from spools.models import Feedstock, Polymer
from spools.models.statements import StatementField

from .machines import Printer


class JobFile(models.Model):
    """A job file as it came. Its filament, hours and flow are a cache of its content.

    digest names the stored content; taken_from the file in the watched folder that it was. round numbers its
    readings: one that was overtaken by a later one leaves no trace.
    """

    class State(models.TextChoices):
        WAITING = "waiting", gettext_lazy("waits to be read")
        READING = "reading", gettext_lazy("is being read")
        READ = "read", gettext_lazy("read")
        REFUSED = "refused", gettext_lazy("cannot be read")
        STOPPED = "stopped", gettext_lazy("reading was stopped")

    name = models.CharField(max_length=200)
    digest = models.CharField(max_length=64)
    size_bytes = models.PositiveBigIntegerField()
    taken_from = models.CharField(max_length=300, null=True, blank=True, unique=True)
    printer = models.ForeignKey(
        Printer,
        models.SET_NULL,
        null=True,
        blank=True,
        related_name="job_files",
        help_text="the machine that decides how G90 and G91 are read",
    )
    diameter_mm = models.FloatField(
        default=1.75, validators=limits.FILE_DIAMETER_MM.validators, help_text="of the filament"
    )
    member = models.CharField(max_length=200, blank=True, help_text="name of the job in a container")
    state = models.CharField(max_length=10, choices=State, default=State.WAITING)
    round = models.PositiveIntegerField(default=1)
    share_read = models.FloatField(default=0, help_text="0 to 1")
    problem = StatementField(null=True)
    facts = models.JSONField(null=True, blank=True)
    added_at = models.DateTimeField(auto_now_add=True)
    added_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, blank=True)
    content_deleted_at = models.DateTimeField(
        null=True,
        blank=True,
        help_text="its facts and prints stay; null: the content is stored",
    )
    content_deleted_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, blank=True, related_name="+"
    )

    class Meta:
        ordering = ["-added_at", "-id"]

    def __str__(self) -> str:
        return self.name

    @property
    def busy(self) -> bool:
        return self.state in (self.State.WAITING, self.State.READING)


class JobFileMaterial(models.Model):
    """The material that a tool of a job file was made for: any spool of a polymer, or a feedstock."""

    file = models.ForeignKey(JobFile, models.CASCADE, related_name="materials")
    tool = models.PositiveSmallIntegerField()
    feedstock = models.ForeignKey(Feedstock, models.PROTECT, null=True, blank=True, related_name="+")
    polymer = models.ForeignKey(Polymer, models.PROTECT, null=True, blank=True, related_name="+")
    stated_at = models.DateTimeField(auto_now_add=True)
    stated_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, blank=True)

    class Meta:
        ordering = ["tool"]
        constraints = [
            models.UniqueConstraint(fields=["file", "tool"], name="job_file_material_once_for_a_tool"),
            models.CheckConstraint(
                condition=Q(feedstock__isnull=False, polymer__isnull=True)
                | Q(feedstock__isnull=True, polymer__isnull=False),
                name="job_file_material_is_one_thing",
            ),
        ]

    def __str__(self) -> str:
        return str(self.material)

    @property
    def material(self) -> Feedstock | Polymer:
        material = self.feedstock or self.polymer
        assert material is not None
        return material
