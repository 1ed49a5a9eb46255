"""Where spools are, and what the air is like there."""

from datetime import datetime, timedelta

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from spools import limits
from spools.statements import Statement

from .facts import Withdrawable
from .versions import Retirable


class Place(Retirable):
    class Film(models.TextChoices):
        """Of bags: their leak is in spools/air/bags.py."""

        THIN_PE = "thin_pe", _("thin polyethylene, welded")
        ZIP = "zip", _("polyethylene with a zip")
        VACUUM = "vacuum", _("vacuum bag of polyamide and polyethylene")
        METALLISED = "metallised", _("metallised")
        FOIL = "foil", _("aluminium foil")

    class Kind(models.TextChoices):
        SHELF = "shelf", _("shelf")
        BAG = "bag", _("sealed bag")
        DRY_BOX = "dry_box", _("dry box")
        DRYER = "dryer", _("dryer")
        PRINTER = "printer", _("printer")

    class AirExchange(models.TextChoices):
        FREE = "free", _("vented freely or by a fan")
        LITTLE = "little", _("vented a little")
        DESICCANT = "desiccant", _("sealed, with desiccant")

    name = models.CharField(max_length=60, unique=True)
    kind = models.CharField(max_length=10, choices=Kind)
    # Readings win; these two are what is assumed while there are none.
    assumed_temperature_c = models.FloatField(default=21.0, validators=limits.TEMPERATURE_C.validators)
    assumed_rh_pct = models.FloatField(default=50.0, validators=limits.RH_PCT.validators)
    # The room that a dryer or printer breathes or a dry box stands in; of bags also the dry box that they lie in. Empty:
    # its own assumed climate stands for its room, and a dry box's air is not computed.
    room = models.ForeignKey(
        "self",
        models.PROTECT,
        null=True,
        blank=True,
        related_name="inside",
        limit_choices_to={"kind__in": ["shelf", "printer", "dry_box"]},
    )
    max_set_point_c = models.FloatField(
        "hottest set point, °C",
        null=True,
        blank=True,
        validators=limits.DRYER_MAX_C.validators,
    )
    set_point_error_c = models.FloatField(
        "error of the set point, K", default=5.0, validators=limits.SET_POINT_ERROR_K.validators
    )
    spool_capacity = models.PositiveSmallIntegerField(
        "spools that fit in at once",
        null=True,
        blank=True,
        validators=limits.SPOOL_CAPACITY.validators,
        help_text="of a dryer",
    )
    # Of a dryer: how it gets rid of the water that its spools give off (spools/physics/chamber.py).
    air_exchange = models.CharField(max_length=10, choices=AirExchange, default=AirExchange.FREE)
    air_flow_l_min = models.FloatField(
        "air flow, l/min",
        null=True,
        blank=True,
        validators=limits.AIR_FLOW_L_MIN.validators,
        help_text="of a dryer: the air that it takes in, or passes over its desiccant; empty: as usual for its kind",
    )
    desiccant_dew_point_c = models.FloatField(
        "dew point over the desiccant, °C",
        null=True,
        blank=True,
        validators=limits.DEW_POINT_C.validators,
        help_text="of a dryer that is sealed, with desiccant; empty: as usual",
    )
    moved_air = models.BooleanField("has a fan", default=False)
    feeds = models.BooleanField(
        "filament can be fed from it while it prints", default=False, help_text="of a dry box or a dryer"
    )
    # Of a dry box; with these, a room and a charge of desiccant its air is computed while nothing is read.
    volume_l = models.FloatField(
        "volume, litres", null=True, blank=True, validators=limits.BOX_VOLUME_L.validators
    )
    half_time_h = models.FloatField(
        "half-time while empty, h",
        null=True,
        blank=True,
        validators=limits.HALF_TIME_H.validators,
        help_text="hours in which the empty box, without desiccant, comes nearer to its room's humidity by "
        "half; 24 h times 0.693 over the air changes a day",
    )
    # Of bags, one for each spool; with these and a room the air in each is computed while nothing is read.
    film = models.CharField("film of the bags", max_length=12, choices=Film, blank=True)
    sachet_g = models.FloatField(
        "silica gel in each bag, g", default=0.0, validators=limits.SACHET_G.validators
    )
    limit_rh_pct = models.FloatField(
        "humidity limit, % RH",
        default=20.0,
        validators=limits.BOX_RH_PCT.validators,
        help_text="of a dry box",
    )
    # Raised when the computed air of a dry box is invalidated (spools/invalidation.py).
    cache_generation = models.PositiveIntegerField(default=0, editable=False)

    class Meta:
        ordering = ["kind", "name"]
        constraints = [
            models.CheckConstraint(
                condition=Q(kind="dry_box") | Q(volume_l__isnull=True, half_time_h__isnull=True),
                name="only_a_box_has_a_half_time",
                violation_error_code="not_a_dry_box",
                violation_error_message=_("Volume and half-time are of dry boxes. Leave them empty here."),
            ),
            models.CheckConstraint(
                condition=Q(kind="dryer") | Q(spool_capacity__isnull=True),
                name="only_a_dryer_tells_its_capacity",
                violation_error_code="not_a_dryer",
                violation_error_message=_(
                    "Only a dryer has a number of spools that fit in. Leave it empty here."
                ),
            ),
            models.CheckConstraint(
                condition=Q(kind="bag") | Q(film="", sachet_g=0),
                name="only_bags_have_a_film",
                violation_error_code="not_a_bag",
                violation_error_message=_("Film and sachet are of sealed bags. Leave them empty here."),
            ),
            models.CheckConstraint(
                condition=Q(kind="dryer") | Q(air_flow_l_min__isnull=True),
                name="only_a_dryer_has_an_air_flow",
                violation_error_code="not_a_dryer",
                violation_error_message=_("Only a dryer has an air flow. Leave it empty here."),
            ),
            models.CheckConstraint(
                condition=Q(kind="dryer", air_exchange="desiccant") | Q(desiccant_dew_point_c__isnull=True),
                name="only_a_desiccant_dryer_has_a_dew_point",
                violation_error_code="not_a_desiccant_dryer",
                violation_error_message=_(
                    "Only a dryer that is sealed, with desiccant, has a dew point. Leave it empty here."
                ),
            ),
            models.CheckConstraint(
                condition=Q(kind__in=["dry_box", "dryer"]) | Q(feeds=False),
                name="only_boxes_and_dryers_feed",
                violation_error_code="cannot_feed",
                violation_error_message=_("Filament is fed from dry boxes and dryers. Untick it here."),
            ),
            models.CheckConstraint(
                condition=~Q(kind="dryer") | Q(max_set_point_c__isnull=False),
                name="dryer_has_a_limit",
                violation_error_code="set_point_missing",
                violation_error_message=_("A dryer needs its hottest set point."),
            ),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def air_source(self) -> "Place":
        """Whose air counts while nothing is read here: that of the room for a dryer or a printer that stands in one."""
        breathes_room = self.kind in (self.Kind.DRYER, self.Kind.PRINTER)
        return self.room if breathes_room and self.room is not None else self


class DesiccantCharge(Withdrawable):
    """Desiccant put into a dry box in place of what was there. Regenerating it is a new charge.

    0 g: the desiccant was taken out.
    """

    class Kind(models.TextChoices):
        SILICA_GEL = "silica_gel", _("silica gel")
        MOLECULAR_SIEVE = "molecular_sieve", _("molecular sieve")
        ALUMINA = "alumina", _("activated alumina")
        CLAY = "clay", _("clay")

    class Condition(models.TextChoices):
        NEW = "new", _("new")
        REGENERATED = "regenerated", _("regenerated")
        UNKNOWN = "unknown", _("not known")

    place = models.ForeignKey(Place, models.PROTECT, related_name="charges")
    kind = models.CharField(max_length=20, choices=Kind)
    dry_mass_g = models.FloatField(help_text="without the water in it")
    condition = models.CharField(max_length=15, choices=Condition)
    regenerated_c = models.FloatField(null=True, blank=True)
    at = models.DateTimeField()
    note = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["at"]
        constraints = [
            models.UniqueConstraint(
                fields=["place", "at"], condition=Q(withdrawn_at__isnull=True), name="charge_once"
            ),
            models.CheckConstraint(condition=Q(dry_mass_g__gte=0), name="charge_mass_possible"),
            models.CheckConstraint(
                condition=Q(condition="regenerated", regenerated_c__isnull=False)
                | (~Q(condition="regenerated") & Q(regenerated_c__isnull=True)),
                name="regenerated_at_a_temperature",
            ),
        ]

    def __str__(self) -> str:
        return self.describe().sentence

    def describe(self) -> Statement:
        """How much of which desiccant went in, and how dry it was."""
        values = {"kind": self.kind, "dry_mass_g": self.dry_mass_g}
        values |= {"condition": self.condition, "regenerated_c": self.regenerated_c}
        return Statement("desiccant.charge", values)


class BoxBoard(models.Model):
    """The answer about a dry box as of ``computed_at``: a cache, see spools/air/dry_box_board.py."""

    place = models.OneToOneField(Place, models.CASCADE, primary_key=True, related_name="+")
    generation = models.PositiveIntegerField(help_text="of the box before its facts were read")
    computed_at = models.DateTimeField()
    good_until = models.DateTimeField(help_text="from then on time alone makes it stale")
    answer_json = models.BinaryField(help_text="its BoxAnswer; null without desiccant")

    class Meta:
        verbose_name_plural = "board of dry boxes"

    def __str__(self) -> str:
        return f"{self.place_id} at {self.computed_at:%Y-%m-%d %H:%M}"


class BoxAir(models.Model):
    """The computed air of a dry box that its spools take from this time on: a cache, rebuildable.

    Kept for every quarter of a UTC day and for the hour that a charge starts with, so that thousands of
    spools need not have their boxes computed again. A fact that arrives late deletes those after it.
    state: to continue from, stored at UTC midnights.
    """

    place = models.ForeignKey(Place, models.CASCADE, related_name="airs")
    at = models.DateTimeField()
    temperature_c = models.FloatField()
    rh_pct = models.FloatField()
    state = models.JSONField(
        null=True, help_text="water in air and desiccant, kg, and contents by spool, kg/kg"
    )

    class Meta:
        ordering = ["at"]
        constraints = [models.UniqueConstraint(fields=["place", "at"], name="box_air_once")]

    def __str__(self) -> str:
        return f"{self.place_id} at {self.at:%Y-%m-%d %H:%M}: {self.rh_pct:.0f} %"


class Measurement(models.Model):
    """Temperature and humidity at one time, and who stored them when."""

    class Origin(models.TextChoices):
        API = "api", _("sensor")
        HUMIDITY = "humidity", _("sensor without a thermometer")
        FILE = "file", _("file")
        HAND = "hand", _("read by hand")

    # They came by themselves, not from a person.
    SENT = (Origin.API, Origin.HUMIDITY)

    at = models.DateTimeField()
    temperature_c = models.FloatField()
    rh_pct = models.FloatField()
    origin = models.CharField(max_length=10, choices=Origin)
    recorded_at = models.DateTimeField(default=timezone.now, editable=False)
    recorded_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, blank=True, related_name="+", db_index=False
    )

    class Meta:
        abstract = True


class Reading(Measurement):
    """A measurement that counts: the newest one of a place is the air there."""

    place = models.ForeignKey(Place, models.PROTECT, related_name="readings")

    class Meta:
        ordering = ["at"]
        constraints = [
            models.UniqueConstraint(fields=["place", "at"], name="reading_once"),
            models.CheckConstraint(condition=limits.RH_PCT.condition("rh_pct"), name="reading_rh_possible"),
            models.CheckConstraint(
                condition=limits.TEMPERATURE_C.condition("temperature_c"),
                name="reading_temperature_possible",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.place_id} {self.at:%Y-%m-%d %H:%M} {self.temperature_c} °C {self.rh_pct} %"


class HourlyMean(models.Model):
    """The mean of a place's readings of one hour, in place of them. Of that hour no reading is added or withdrawn any more.

    The readings were corrected by the salt checks of that time: spools/air/averaging.py.
    """

    place = models.ForeignKey(Place, models.PROTECT, related_name="hourly_means")
    hour = models.DateTimeField(help_text="when it began, in UTC")
    temperature_c = models.FloatField()
    vapour_pa = models.FloatField(help_text="mean vapour pressure")
    readings = models.PositiveIntegerField(help_text="how many there were")

    class Meta:
        ordering = ["hour"]
        constraints = [models.UniqueConstraint(fields=["place", "hour"], name="hourly_mean_once")]

    def __str__(self) -> str:
        return (
            f"{self.place_id} {self.hour:%Y-%m-%d %H} h: {self.temperature_c:.1f} °C {self.vapour_pa:.0f} Pa"
        )


class SaltCheck(Withdrawable):
    """A hygrometer's reading beside wet table salt in a closed bag, whose humidity is known (spools/air/salt_checks.py)."""

    place = models.ForeignKey(Place, models.PROTECT, related_name="salt_checks")
    at = models.DateTimeField(help_text="when it was read")
    hours = models.FloatField(help_text="in the bag before that")
    temperature_c = models.FloatField()
    rh_pct = models.FloatField(help_text="as it read")

    class Meta:
        ordering = ["at"]
        constraints = [
            models.UniqueConstraint(
                fields=["place", "at"], condition=Q(withdrawn_at__isnull=True), name="salt_check_once"
            ),
            models.CheckConstraint(
                condition=limits.RH_PCT.condition("rh_pct"), name="salt_check_rh_possible"
            ),
            models.CheckConstraint(
                condition=limits.SALT_CHECK_C.condition("temperature_c"),
                name="salt_check_temperature_possible",
            ),
            models.CheckConstraint(
                condition=limits.SALT_CHECK_HOURS.condition("hours"), name="salt_check_hours_possible"
            ),
        ]

    def __str__(self) -> str:
        return f"salt check: {self.rh_pct:g} % RH at {self.temperature_c:g} °C"

    @property
    def began_at(self) -> datetime:
        """When it was put into the bag."""
        return self.at - timedelta(hours=self.hours)


class ReadingWithdrawal(Withdrawable):
    """Readings of a place from start to end, both included, that do not count. Withdrawn, they count again."""

    place = models.ForeignKey(Place, models.PROTECT, related_name="reading_withdrawals")
    start = models.DateTimeField()
    end = models.DateTimeField()
    reason = models.CharField(max_length=300, blank=True, help_text="empty: the right values replace them")

    class Meta:
        ordering = ["start", "id"]
        constraints = [
            models.CheckConstraint(condition=Q(end__gte=F("start")), name="readings_end_after_start")
        ]

    def __str__(self) -> str:
        return f"{self.place_id} from {self.start:%Y-%m-%d %H:%M} to {self.end:%Y-%m-%d %H:%M}"


class WithdrawnReading(Measurement):
    """A measurement that does not count. It is kept apart, so that whoever looks for readings meets none of these."""

    withdrawal = models.ForeignKey(ReadingWithdrawal, models.PROTECT, related_name="readings")

    class Meta:
        ordering = ["at", "id"]

    def __str__(self) -> str:
        return f"{self.at:%Y-%m-%d %H:%M} {self.temperature_c} °C {self.rh_pct} %, withdrawn"
