from django.core.validators import MinValueValidator
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _

from maintenance import limits
from maintenance.wear.wording import SERVICE_UNITS
from spools.models.facts import Withdrawable
from spools.models.versions import Versioned
from spools.refusals import refusal

from .machines import Printer, Toolhead
from .parts import IN_NO_MACHINE, PartKind


class ServiceKind(Versioned):
    """Work that a machine needs at intervals: its subject, its interval and the source of that."""

    class Work(models.TextChoices):
        HOT_END = "hot_end", _("cleaning of the hot end")
        GEARS = "gears", _("cleaning of the drive gears")
        SURFACE = "surface", _("care of the build surface")
        FEED_PATH = "feed_path", _("feed path")
        LUBRICATION = "lubrication", _("lubrication")
        BELTS = "belts", _("belt tension")
        FILTER = "filter", _("filter")
        OTHER = "other", _("other work")

    class Subject(models.TextChoices):
        TOOLHEAD = "toolhead", _("each toolhead")
        PRINTER = "printer", _("each printer")
        ENCLOSED = "enclosed", _("each printer with an enclosure")

    class Unit(models.TextChoices):
        HOURS = "hours", SERVICE_UNITS["hours"]
        HOT = "hot_h", SERVICE_UNITS["hot_h"]
        FEED = "feed_km", SERVICE_UNITS["feed_km"]
        PRINTS = "prints", SERVICE_UNITS["prints"]
        DAYS = "days", SERVICE_UNITS["days"]

    CLEANING = [Work.HOT_END, Work.GEARS, Work.SURFACE]

    name = models.CharField(_("name"), max_length=60, unique=True, help_text=_("such as: belt tension check"))
    work = models.CharField(_("work"), max_length=12, choices=Work)
    subject = models.CharField(_("done on"), max_length=10, choices=Subject)
    unit = models.CharField(_("counted in"), max_length=10, choices=Unit)
    interval = models.FloatField(validators=limits.INTERVAL.validators)
    stops = models.BooleanField(
        _("nothing may start while it is overdue"),
        default=False,
    )
    in_use = models.BooleanField(_("in use"), default=True)
    consumable = models.ForeignKey(
        PartKind,
        models.PROTECT,
        null=True,
        blank=True,
        related_name="services",
        limit_choices_to={"role__in": IN_NO_MACHINE},
        help_text="what each service takes from stock",
    )
    consumable_amount = models.FloatField(
        _("amount used each time"), null=True, blank=True, validators=[MinValueValidator(0.001)]
    )
    advice = models.CharField(_("how it is done"), max_length=300)
    source = models.CharField(_("source of the interval"), max_length=300)
    how = models.CharField(_("how that is known"), max_length=80)
    added_at = models.DateTimeField(
        null=True,
        blank=True,
        editable=False,
        help_text="what was printed before does not count; empty: the count goes back to the first job",
    )

    class Meta:
        ordering = ["work", "name"]
        constraints = [
            models.CheckConstraint(
                condition=Q(consumable__isnull=True, consumable_amount__isnull=True)
                | Q(consumable__isnull=False, consumable_amount__isnull=False, consumable_amount__gt=0),
                name="consumable_with_its_amount",
                violation_error_code="consumable_and_amount",
                violation_error_message=_(
                    "Give the consumable and the amount that each service uses, or neither."
                ),
            ),
            models.CheckConstraint(condition=Q(interval__gt=0), name="service_interval_above_0"),
            models.CheckConstraint(
                condition=Q(subject="toolhead")
                | (~Q(unit__in=["hot_h", "feed_km"]) & ~Q(work__in=["hot_end", "gears"])),
                name="toolhead_service_on_toolheads",
                violation_error_code="unit_of_a_toolhead",
                violation_error_message=_(
                    "Hot hours, km of filament, hot ends and drive gears belong to "
                    "toolheads: choose each toolhead."
                ),
            ),
        ]

    def __str__(self) -> str:
        return self.name

    def clean(self) -> None:
        """Names that differ in capitals alone are the same work."""
        other = ServiceKind.objects.filter(name__iexact=self.name).exclude(pk=self.pk).first()
        if other is not None and other.name != self.name:
            taken = gettext("There is “{name}” already. Change that, or give another name.")
            raise refusal("name_taken", taken.format(name=other), "name")


class ServiceEntry(Withdrawable):
    """A service that was done. It is withdrawn if it was not done after all."""

    kind = models.ForeignKey(ServiceKind, models.PROTECT, related_name="entries")
    printer = models.ForeignKey(Printer, models.PROTECT, related_name="services")
    toolhead = models.ForeignKey(Toolhead, models.PROTECT, null=True, blank=True, related_name="services")
    at = models.DateTimeField()
    note = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["-at", "-id"]
        verbose_name_plural = "service entries"

    def __str__(self) -> str:
        return f"{self.kind} on {self.toolhead or self.printer}"
