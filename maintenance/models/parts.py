from django.conf import settings
from django.core.validators import MinValueValidator
from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from maintenance import limits
from spools.models import DesiccantCharge
from spools.models.facts import Withdrawable
from spools.models.statements import StatementField
from spools.models.versions import Versioned

from ..wear.bore import WORN_GROWTH_PCT
from .machines import Printer, Toolhead

# Roles that a printer has once, whatever its toolheads are.
ON_A_PRINTER = ["surface", "belts", "bearings", "particle_filter", "carbon_filter", "brush"]
UNITS_ON_A_PRINTER = ["hours", "prints", "days"]
# Consumables: counted in stock and used up, fitted to no machine.
IN_NO_MACHINE = ["desiccant", "adhesive", "lubricant", "cleaning_filament", "wipes", "bags", "other"]
NO_LIFE = Q(life__isnull=True, life_low__isnull=True, life_high__isnull=True)
# A fitting that lasts.
PRESENT = Q(end__isnull=True, withdrawn_at__isnull=True)


class PartKind(Versioned):
    """A part as bought: its role, the unit of its life, the expected life and the source of that.

    A consumable has a unit of its stock in place of a life.
    """

    class Role(models.TextChoices):
        NOZZLE = "nozzle", _("nozzle")
        GEARS = "gears", _("drive gears")
        LINER = "liner", _("liner")
        TUBE = "tube", _("feed tube")
        HEATER = "heater", _("heater")
        THERMISTOR = "thermistor", _("thermistor")
        HOT_END_FAN = "hot_end_fan", _("hot-end fan")
        PART_FAN = "part_fan", _("part-cooling fan")
        SURFACE = "surface", _("build surface")
        BELTS = "belts", _("belts")
        BEARINGS = "bearings", _("linear bearings")
        PARTICLE_FILTER = "particle_filter", _("HEPA filter")
        CARBON_FILTER = "carbon_filter", _("carbon filter")
        BRUSH = "brush", _("nozzle brush")
        DESICCANT = "desiccant", _("desiccant")
        ADHESIVE = "adhesive", _("adhesive")
        LUBRICANT = "lubricant", _("lubricant")
        CLEANING_FILAMENT = "cleaning_filament", _("cleaning filament")
        WIPES = "wipes", _("wipes")
        BAGS = "bags", _("bags")
        OTHER = "other", _("other consumable")

    class StockUnit(models.TextChoices):
        PIECES = "", _("pieces")
        GRAMS = "g", _("g")
        MILLILITRES = "ml", _("ml")

    class Unit(models.TextChoices):
        DOSE = "dose_km", _("wear of the bore (1 is 1.1 kg of fibre-filled filament through 0.4 mm)")
        FEED = "feed_km", _("km of filament (filled filament counts more)")
        HOT = "hot_h", _("hot hours (hotter ones count more)")
        RESIDUE = "residue_h", _("hot hours (those that char plastic count more)")
        HOURS = "hours", _("hours of printing")
        PRINTS = "prints", _("prints")
        DAYS = "days", _("days fitted")

    role = models.CharField(_("role"), max_length=20, choices=Role)
    name = models.CharField(_("name"), max_length=80, unique=True)
    material = models.CharField(_("material"), max_length=60, blank=True)
    hardness_hv = models.FloatField(
        _("hardness, HV"), null=True, blank=True, validators=[MinValueValidator(1)]
    )
    bore_mm = models.FloatField(null=True, blank=True, validators=[MinValueValidator(0.05)])
    max_c = models.FloatField(_("hottest, °C"), null=True, blank=True)
    heat_reference_c = models.FloatField(
        _("temperature of its hot hours, °C"),
        null=True,
        blank=True,
        validators=limits.PART_MAX_C.validators,
        help_text=_("hotter hours count more, cooler ones less (Arrhenius); empty: all count alike"),
    )
    worn_growth_pct = models.FloatField(
        _("bore worn out at, % wider than new"),
        default=WORN_GROWTH_PCT,
        validators=limits.WORN_GROWTH_PCT.validators,
    )
    life_unit = models.CharField(max_length=10, choices=Unit, blank=True)
    life = models.FloatField(_("expected life"), null=True, blank=True, validators=limits.LIFE.validators)
    life_low = models.FloatField(null=True, blank=True, validators=limits.LIFE.validators)
    life_high = models.FloatField(null=True, blank=True, validators=limits.LIFE.validators)
    source = models.CharField(max_length=300, blank=True)
    how = models.CharField(max_length=80, blank=True)
    stock_unit = models.CharField(
        max_length=2, choices=StockUnit, blank=True, help_text=_("of a consumable; parts are counted")
    )
    price = models.DecimalField(_("price"), max_digits=8, decimal_places=2, null=True, blank=True)
    reorder_point = models.PositiveIntegerField(_("reorder point"), default=0)

    class Meta:
        ordering = ["role", "name"]
        constraints = [
            models.CheckConstraint(
                condition=Q(role__in=IN_NO_MACHINE)
                | Q(life__isnull=False, life_low__isnull=False, life_high__isnull=False)
                & Q(life_low__lte=F("life"), life__lte=F("life_high"), life_low__gt=0),
                name="part_life_in_its_band",
                violation_error_code="life_missing",
                violation_error_message=_(
                    "A part needs its life: a short, the expected and a long one, in order."
                ),
            ),
            models.CheckConstraint(
                condition=~Q(role__in=IN_NO_MACHINE) | (NO_LIFE & Q(life_unit="")),
                name="consumable_has_no_life",
                violation_error_code="life_of_a_consumable",
                violation_error_message=_(
                    "A consumable is used up. Leave its life and the unit of it empty."
                ),
            ),
            models.CheckConstraint(
                condition=Q(role__in=IN_NO_MACHINE)
                | (Q(stock_unit="") & ~Q(life_unit="") & ~Q(source="") & ~Q(material="")),
                name="part_is_counted_and_has_a_source",
                violation_error_code="part_incomplete",
                violation_error_message=_(
                    "A part is counted in pieces, and needs its material, the unit of its life and "
                    "the source of that."
                ),
            ),
            models.CheckConstraint(
                condition=~Q(role="nozzle") | Q(bore_mm__isnull=False), name="nozzle_has_a_bore"
            ),
            models.CheckConstraint(
                condition=~Q(life_unit="dose_km") | Q(role="nozzle"),
                name="a_bore_alone_has_a_dose",
                violation_error_code="dose_of_another_role",
                violation_error_message=_("Filler slides through a nozzle's bore only. Choose another unit."),
            ),
            models.CheckConstraint(
                condition=~Q(role__in=ON_A_PRINTER) | Q(life_unit__in=UNITS_ON_A_PRINTER),
                name="printers_part_counts_hours_prints_or_days",
                violation_error_code="unit_of_a_printer",
                violation_error_message=_("Hours, prints or days wear a part of the whole printer."),
            ),
        ]

    def __str__(self) -> str:
        return self.name


class StockEntry(Withdrawable):
    """Parts that came into or left the drawer; the count is the sum of the valid ones."""

    kind = models.ForeignKey(PartKind, models.PROTECT, related_name="stock_entries")
    at = models.DateTimeField()
    change = models.FloatField(help_text="pieces, g or ml, as its kind is counted")
    note = models.CharField(max_length=200, blank=True)
    cause = StatementField(
        null=True, blank=True, help_text="the act that it came with; none: recorded by itself"
    )
    fitting = models.OneToOneField(
        "Fitting",
        models.PROTECT,
        null=True,
        blank=True,
        related_name="taken",
        help_text="what it was taken for",
    )
    service = models.ForeignKey(
        "ServiceEntry", models.PROTECT, null=True, blank=True, related_name="taken", help_text="that used it"
    )
    charge = models.ForeignKey(
        DesiccantCharge, models.PROTECT, null=True, blank=True, related_name="+", help_text="that it is in"
    )

    class Meta:
        ordering = ["at", "id"]

    def __str__(self) -> str:
        return f"{self.kind_id} {self.change:+g}"


class Part(models.Model):
    """One physical part, with one history wherever it is fitted."""

    kind = models.ForeignKey(PartKind, models.PROTECT, related_name="parts")
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["id"]

    def __str__(self) -> str:
        return f"{self.kind.name} no. {self.pk}"


class BoreReading(Withdrawable):
    """A nozzle's bore, measured. A mistake is withdrawn, not changed."""

    class Method(models.TextChoices):
        PIN = "pin", _("pin gauge")
        MICROSCOPE = "microscope", _("microscope")
        OTHER = "other", _("another way")

    part = models.ForeignKey(Part, models.PROTECT, related_name="bore_readings")
    at = models.DateTimeField()
    bore_mm = models.FloatField()
    error_mm = models.FloatField(help_text="standard error")
    method = models.CharField(max_length=10, choices=Method)
    note = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["at", "id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(bore_mm__gt=0) & Q(error_mm__gt=0), name="bore_reading_is_possible"
            )
        ]

    def __str__(self) -> str:
        return f"{self.bore_mm:g} mm in {self.part_id}"


class PriorUse(Withdrawable):
    """The use of a part before it came into the shop's records. The last valid row counts; without one it was new.

    A mistake is withdrawn or followed by a better one, not changed.
    """

    class Unit(models.TextChoices):
        DOSE = PartKind.Unit.DOSE.value, PartKind.Unit.DOSE.label
        FEED = PartKind.Unit.FEED.value, PartKind.Unit.FEED.label
        HOT = PartKind.Unit.HOT.value, PartKind.Unit.HOT.label
        RESIDUE = PartKind.Unit.RESIDUE.value, PartKind.Unit.RESIDUE.label
        HOURS = PartKind.Unit.HOURS.value, PartKind.Unit.HOURS.label
        PRINTS = PartKind.Unit.PRINTS.value, PartKind.Unit.PRINTS.label
        DAYS = PartKind.Unit.DAYS.value, PartKind.Unit.DAYS.label
        KG = "kg", _("kg of unfilled filament")
        MONTHS = "months", _("months on a printer")
        UNKNOWN = "unknown", _("age unknown")

    part = models.ForeignKey(Part, models.PROTECT, related_name="prior_uses")
    amount = models.FloatField(null=True, blank=True)
    unit = models.CharField(max_length=10, choices=Unit)
    note = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(unit="unknown", amount__isnull=True) | (~Q(unit="unknown") & Q(amount__gte=0)),
                name="prior_use_has_an_amount_or_is_unknown",
            )
        ]

    def __str__(self) -> str:
        unit = self.get_unit_display()
        return unit if self.amount is None else f"{self.amount:g} {unit}"


class Fitting(Withdrawable):
    """A part on a toolhead, or on a printer as a whole, from one time to another.

    A wrong removal is corrected by a new row; the row with the mistake is withdrawn (parts/corrections.py).
    """

    class Removal(models.TextChoices):
        WORN = "worn", _("worn out")
        SOUND = "sound", _("taken off sound")
        UPGRADED = "upgraded", _("replaced by a better one")
        LOST = "lost", _("lost or broken by accident")

    part = models.ForeignKey(Part, models.PROTECT, related_name="fittings")
    toolhead = models.ForeignKey(Toolhead, models.PROTECT, null=True, blank=True, related_name="fittings")
    printer = models.ForeignKey(Printer, models.PROTECT, null=True, blank=True, related_name="fittings")
    # Copied from the part's kind, so that one role of a machine holds one part (a database constraint).
    role = models.CharField(max_length=20, choices=PartKind.Role)
    start = models.DateTimeField()
    end = models.DateTimeField(null=True, blank=True)
    removal = models.CharField(max_length=10, choices=Removal, blank=True)
    removed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, blank=True, related_name="+"
    )

    class Meta:
        ordering = ["start", "id"]
        constraints = [
            models.UniqueConstraint(fields=["part"], condition=PRESENT, name="part_fitted_once"),
            models.UniqueConstraint(
                fields=["toolhead", "role"], condition=PRESENT, name="one_part_in_a_role"
            ),
            models.UniqueConstraint(
                fields=["printer", "role"], condition=PRESENT, name="one_part_in_a_printers_role"
            ),
            models.CheckConstraint(
                condition=Q(toolhead__isnull=True) ^ Q(printer__isnull=True), name="fitted_to_one_machine"
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
        return f"{self.part_id} on {self.site} from {self.start:%Y-%m-%d %H:%M}"

    @property
    def site(self) -> Toolhead | Printer:
        """The toolhead or printer that it is fitted to."""
        site = self.toolhead or self.printer
        assert site is not None
        return site

    @property
    def machine_id(self) -> int:
        """The printer that it is a part of."""
        site = self.site
        return site.printer_id if isinstance(site, Toolhead) else site.pk
