from django.conf import settings
from django.core.validators import MinValueValidator
from django.db import models
from django.db.models import F, Q

from .machines import Toolhead


class PartKind(models.Model):
    """A part as bought: what it is, what wears it, how long it is expected to last and who says so."""

    class Role(models.TextChoices):
        NOZZLE = "nozzle", "nozzle"
        GEARS = "gears", "drive gears"
        LINER = "liner", "liner"

    class Unit(models.TextChoices):
        DOSE = "dose_km", "km of filler slid through the bore"
        FEED = "feed_km", "km of filament, weighted by its filler"
        HOT = "hot_h", "hot hours"

    role = models.CharField(max_length=10, choices=Role)
    name = models.CharField(max_length=80, unique=True)
    material = models.CharField(max_length=60)
    hardness_hv = models.FloatField("hardness, HV", null=True, blank=True, validators=[MinValueValidator(1)])
    bore_mm = models.FloatField(null=True, blank=True, validators=[MinValueValidator(0.05)])
    max_c = models.FloatField("hottest, °C", null=True, blank=True)
    life_unit = models.CharField(max_length=10, choices=Unit)
    life = models.FloatField("expected life", validators=[MinValueValidator(0)])
    life_low = models.FloatField()
    life_high = models.FloatField()
    source = models.CharField(max_length=300)
    how = models.CharField(max_length=80)
    price = models.DecimalField(max_digits=8, decimal_places=2, null=True, blank=True)
    reorder_point = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["role", "name"]
        constraints = [
            models.CheckConstraint(
                condition=Q(life_low__lte=F("life")) & Q(life__lte=F("life_high")) & Q(life_low__gt=0),
                name="part_life_in_its_band",
            ),
            models.CheckConstraint(
                condition=~Q(role="nozzle") | Q(bore_mm__isnull=False), name="nozzle_has_a_bore"
            ),
        ]

    def __str__(self) -> str:
        return self.name


class StockEntry(models.Model):
    """Parts that came into or left the drawer; the count is their sum."""

    kind = models.ForeignKey(PartKind, models.PROTECT, related_name="stock_entries")
    at = models.DateTimeField()
    change = models.IntegerField()
    note = models.CharField(max_length=200, blank=True)
    recorded_at = models.DateTimeField(auto_now_add=True)
    recorded_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, blank=True)

    class Meta:
        ordering = ["at", "id"]

    def __str__(self) -> str:
        return f"{self.kind_id} {self.change:+d}"


class Part(models.Model):
    """One physical part. It keeps its own history wherever it is fitted."""

    kind = models.ForeignKey(PartKind, models.PROTECT, related_name="parts")
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["id"]

    def __str__(self) -> str:
        return f"{self.kind.name} no. {self.pk}"


class Fitting(models.Model):
    """A part on a toolhead from one time to another."""

    class Removal(models.TextChoices):
        WORN = "worn", "worn out"
        SOUND = "sound", "taken off sound"
        UPGRADED = "upgraded", "replaced by a better one"
        LOST = "lost", "lost or broken by accident"

    part = models.ForeignKey(Part, models.PROTECT, related_name="fittings")
    toolhead = models.ForeignKey(Toolhead, models.PROTECT, related_name="fittings")
    # Copied from the part's kind, so that one role of a toolhead holds one part (a database constraint).
    role = models.CharField(max_length=10, choices=PartKind.Role)
    start = models.DateTimeField()
    end = models.DateTimeField(null=True, blank=True)
    removal = models.CharField(max_length=10, choices=Removal, blank=True)
    recorded_at = models.DateTimeField(auto_now_add=True)
    recorded_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, blank=True)

    class Meta:
        ordering = ["start", "id"]
        constraints = [
            models.UniqueConstraint(fields=["part"], condition=Q(end__isnull=True), name="part_fitted_once"),
            models.UniqueConstraint(
                fields=["toolhead", "role"], condition=Q(end__isnull=True), name="one_part_in_a_role"
            ),
            models.CheckConstraint(
                condition=Q(end__isnull=True) | Q(end__gte=F("start")), name="fitting_ends_after_start"
            ),
            models.CheckConstraint(
                condition=Q(end__isnull=True, removal="") | (Q(end__isnull=False) & ~Q(removal="")),
                name="removal_says_why",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.part_id} on {self.toolhead_id} from {self.start:%Y-%m-%d %H:%M}"
