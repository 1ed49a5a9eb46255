"""Where spools are, and what the air is like there."""

from django.conf import settings
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import F, Q

from .stock import Spool

TEMPERATURE_C = (-20.0, 150.0)
RH_PCT = (0.0, 100.0)


class Place(models.Model):
    class Kind(models.TextChoices):
        SHELF = "shelf", "shelf"
        BAG = "bag", "sealed bag"
        DRY_BOX = "dry_box", "dry box"
        DRYER = "dryer", "dryer"
        PRINTER = "printer", "printer"

    name = models.CharField(max_length=60, unique=True)
    kind = models.CharField(max_length=10, choices=Kind)
    # Readings win; these two are what is assumed while there are none.
    assumed_temperature_c = models.FloatField(
        default=21.0, validators=[MinValueValidator(TEMPERATURE_C[0]), MaxValueValidator(TEMPERATURE_C[1])]
    )
    assumed_rh_pct = models.FloatField(
        default=50.0, validators=[MinValueValidator(RH_PCT[0]), MaxValueValidator(RH_PCT[1])]
    )
    # The room that a dryer breathes. Empty: the dryer's own assumed climate stands for its room.
    room = models.ForeignKey(
        "self",
        models.PROTECT,
        null=True,
        blank=True,
        related_name="inside",
        limit_choices_to={"kind__in": ["shelf", "printer"]},
    )
    max_set_point_c = models.FloatField(
        "hottest set point, °C",
        null=True,
        blank=True,
        validators=[MinValueValidator(30), MaxValueValidator(200)],
    )
    set_point_error_c = models.FloatField(
        "error of the set point, K", default=5.0, validators=[MinValueValidator(0), MaxValueValidator(30)]
    )
    moved_air = models.BooleanField("has a fan", default=False)

    class Meta:
        ordering = ["kind", "name"]
        constraints = [
            models.CheckConstraint(
                condition=~Q(kind="dryer") | Q(max_set_point_c__isnull=False),
                name="dryer_has_a_limit",
                violation_error_message="A dryer needs its hottest set point.",
            )
        ]

    def __str__(self) -> str:
        return self.name


class Reading(models.Model):
    class Origin(models.TextChoices):
        API = "api", "sensor"
        FILE = "file", "file"
        HAND = "hand", "read by hand"

    place = models.ForeignKey(Place, models.PROTECT, related_name="readings")
    at = models.DateTimeField()
    temperature_c = models.FloatField()
    rh_pct = models.FloatField()
    origin = models.CharField(max_length=10, choices=Origin)
    recorded_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["at"]
        constraints = [
            models.UniqueConstraint(fields=["place", "at"], name="reading_once"),
            models.CheckConstraint(
                condition=Q(rh_pct__gte=RH_PCT[0], rh_pct__lte=RH_PCT[1]), name="reading_rh_possible"
            ),
            models.CheckConstraint(
                condition=Q(temperature_c__gte=TEMPERATURE_C[0], temperature_c__lte=TEMPERATURE_C[1]),
                name="reading_temperature_possible",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.place_id} {self.at:%Y-%m-%d %H:%M} {self.temperature_c} °C {self.rh_pct} %"


class Stay(models.Model):
    """A spool in a place. The end is added once, when the spool leaves; nothing else ever changes."""

    spool = models.ForeignKey(Spool, models.PROTECT, related_name="stays")
    place = models.ForeignKey(Place, models.PROTECT, related_name="stays")
    start = models.DateTimeField()
    end = models.DateTimeField(null=True, blank=True)
    recorded_at = models.DateTimeField(auto_now_add=True)
    recorded_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, blank=True)

    class Meta:
        ordering = ["start", "id"]
        indexes = [models.Index(fields=["spool", "start"])]
        constraints = [
            models.UniqueConstraint(
                fields=["spool"], condition=Q(end__isnull=True), name="spool_in_one_place"
            ),
            models.CheckConstraint(
                condition=Q(end__isnull=True) | Q(end__gt=F("start")), name="stay_ends_after_start"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.spool_id} in {self.place_id} from {self.start:%Y-%m-%d %H:%M}"
