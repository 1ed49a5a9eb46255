"""The catalogue: what is known about materials before a spool arrives, and where it comes from."""

from typing import Any

from django.core.validators import MinValueValidator
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from spools import limits

from .versions import Retirable, Versioned


class Maker(Versioned):
    name = models.CharField(max_length=80, unique=True)
    note = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name


class Polymer(Versioned):
    """A base plastic. The columns are those of fixtures/reference/polymers.csv, in its units."""

    class Isotherm(models.TextChoices):
        HENRY = "henry", _("Henry (straight)")
        GAB = "gab", _("GAB (curved)")
        FLORY_HUGGINS = "flory-huggins", _("Flory-Huggins (curved)")

    name = models.CharField(max_length=40, unique=True)
    kind = models.CharField(max_length=60)
    density_g_cm3 = models.FloatField()
    tg_c = models.FloatField("glass transition, °C", null=True, blank=True)
    tm_c = models.FloatField("melting point, °C", null=True, blank=True)
    flow_c = models.FloatField("lowest temperature at which it flows, °C")
    softening_c = models.FloatField("softening point, °C")
    softening_basis = models.CharField(max_length=60)
    dry_cap_c = models.FloatField("highest drying temperature, °C")
    dry_set_c = models.FloatField("usual drying temperature, °C")
    dry_hours = models.CharField("usual drying time, h", max_length=20)
    w50_pct = models.FloatField("uptake at 23 °C and 50 % RH, %")
    w50_low = models.FloatField()
    w50_high = models.FloatField()
    isotherm = models.CharField(max_length=20, choices=Isotherm)
    gab_c = models.FloatField(null=True, blank=True)
    gab_k = models.FloatField(null=True, blank=True)
    saturation_pct = models.FloatField("uptake in water, %")
    d23_m2_s = models.FloatField("diffusivity at 23 °C, m²/s")
    d23_low = models.FloatField()
    d23_high = models.FloatField()
    e_d_kj_mol = models.FloatField("activation energy of diffusion, kJ/mol")
    e_d_low = models.FloatField()
    e_d_high = models.FloatField()
    limit_clear_pct = models.FloatField("prints well up to, %")
    limit_hold_pct = models.FloatField("print limit, %")
    limit_basis = models.CharField(max_length=40)
    moulding_limit_pct = models.FloatField("limit for strong parts, %", null=True, blank=True)
    nozzle_min_c = models.FloatField()
    nozzle_max_c = models.FloatField()
    bed_min_c = models.FloatField()
    bed_max_c = models.FloatField()
    enclosure = models.CharField(max_length=20)
    emission = models.CharField(max_length=60)
    grade_uptake = models.CharField(max_length=1)
    grade_rate = models.CharField(max_length=1)

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name


class Source(models.Model):
    """One published, quoted, derived or remembered value behind the catalogue's numbers.

    ``field`` names the catalogue column that the row supports; rows without one are background.
    """

    polymer = models.ForeignKey(Polymer, models.CASCADE, null=True, blank=True, related_name="sources")
    subject = models.CharField(max_length=160, help_text="what the source speaks of, in its own words")
    field = models.CharField(max_length=40, blank=True)
    quantity = models.CharField(max_length=300)
    value = models.CharField(max_length=400)
    unit = models.CharField(max_length=60, blank=True)
    conditions = models.CharField(max_length=400, blank=True)
    source = models.CharField(max_length=500)
    number = models.CharField(max_length=120, blank=True, help_text="DOI, standard or report number")
    how = models.CharField(max_length=80)
    notes = models.TextField(blank=True)

    class Meta:
        ordering = ["field", "id"]

    def __str__(self) -> str:
        return f"{self.subject}: {self.quantity}"


class Filler(Versioned):
    """A material mixed into a feedstock. Its hardness decides the wear of a nozzle."""

    name = models.CharField(max_length=40, unique=True)
    density_g_cm3 = models.FloatField()
    hardness_hv = models.FloatField("hardness of the hard particles, HV")
    hardness_low_hv = models.FloatField()
    hardness_high_hv = models.FloatField()
    source = models.CharField(max_length=300)
    how = models.CharField(max_length=80)

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name


class Feedstock(Retirable):
    """A filament product as bought. Values from its own data sheet override the polymer's."""

    OVERRIDES = [
        "density_g_cm3",
        "softening_c",
        "dry_cap_c",
        "dry_set_c",
        "w50_pct",
        "d23_m2_s",
        "limit_clear_pct",
        "limit_hold_pct",
        "nozzle_min_c",
        "nozzle_max_c",
        "bed_min_c",
        "bed_max_c",
    ]

    maker = models.ForeignKey(Maker, models.PROTECT, related_name="feedstocks")
    polymer = models.ForeignKey(Polymer, models.PROTECT, related_name="feedstocks")
    name = models.CharField(max_length=80)
    colour = models.CharField(max_length=40, blank=True)
    diameter_mm = models.FloatField(default=1.75, validators=limits.DIAMETER_MM.validators)
    filler = models.ForeignKey(Filler, models.PROTECT, null=True, blank=True, related_name="feedstocks")
    filler_mass_fraction = models.FloatField(default=0.0, validators=limits.FILLER_FRACTION.validators)
    reorder_point_g = models.FloatField(default=0.0, validators=[MinValueValidator(0.0)])
    data_sheet = models.CharField(max_length=200, blank=True, help_text="title and date of the data sheet")
    density_g_cm3 = models.FloatField(null=True, blank=True)
    softening_c = models.FloatField(null=True, blank=True)
    dry_cap_c = models.FloatField(null=True, blank=True)
    dry_set_c = models.FloatField(null=True, blank=True)
    w50_pct = models.FloatField(null=True, blank=True)
    d23_m2_s = models.FloatField(null=True, blank=True)
    limit_clear_pct = models.FloatField(null=True, blank=True)
    limit_hold_pct = models.FloatField(null=True, blank=True)
    nozzle_min_c = models.FloatField(null=True, blank=True)
    nozzle_max_c = models.FloatField(null=True, blank=True)
    bed_min_c = models.FloatField(null=True, blank=True)
    bed_max_c = models.FloatField(null=True, blank=True)
    # A cache of its coupon tests, written by spools/coupons.py alone.
    coupon_passed_c = models.FloatField(null=True, editable=False)
    coupon_failed_c = models.FloatField(null=True, editable=False)

    class Meta:
        ordering = ["polymer__name", "maker__name", "name", "colour"]
        constraints = [
            models.UniqueConstraint(
                fields=["maker", "name", "colour", "diameter_mm"],
                name="feedstock_once",
                violation_error_code="there_already",
                violation_error_message=_("This maker's product is already in the catalogue in this colour."),
            ),
            models.CheckConstraint(
                condition=(Q(filler__isnull=True) & Q(filler_mass_fraction=0))
                | (Q(filler__isnull=False) & Q(filler_mass_fraction__gt=0)),
                name="feedstock_filler_with_fraction",
                violation_error_code="filler_fraction",
                violation_error_message=_("A filler needs its mass fraction, and only a filler has one."),
            ),
        ]

    def __str__(self) -> str:
        return " ".join(filter(None, [self.maker.name, self.name, self.colour]))

    def save(self, *args: Any, **options: Any) -> None:
        """A correction leaves alone what a coupon test may have shown since the feedstock was read."""
        if not self._state.adding:
            names = {field.name for field in self._meta.concrete_fields if not field.primary_key}
            options.setdefault("update_fields", names - {"coupon_passed_c", "coupon_failed_c"})
        super().save(*args, **options)


class CoreKind(models.Model):
    """Common empty reels, offered when a spool is received. A spool has its own copy of the numbers."""

    name = models.CharField(max_length=60, unique=True)
    material = models.CharField(max_length=20)
    mass_g = models.FloatField()
    mass_band_g = models.FloatField(help_text="plus or minus, for an unweighed one")
    core_radius_mm = models.FloatField()
    width_mm = models.FloatField()
    net_mass_g = models.FloatField(help_text="filament it usually carries")
    source = models.CharField(max_length=200)

    class Meta:
        ordering = ["net_mass_g", "name"]

    def __str__(self) -> str:
        return self.name
