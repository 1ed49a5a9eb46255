"""Sensors that send by themselves, the places for which they speak, and values that are no readings (yet)."""

from django.db import models
from django.db.models import Q
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from .facts import Withdrawable
from .places import Place


class Sensor(models.Model):
    """A device by the name under which it sends, with the last that it sent."""

    name = models.CharField(max_length=100, unique=True)
    added_at = models.DateTimeField(default=timezone.now, editable=False)
    seen_at = models.DateTimeField(null=True, help_text="the time of its last value")
    silent_since = models.DateTimeField(null=True, help_text="its broker reported that it is gone")
    temperature_c = models.FloatField(null=True)
    temperature_at = models.DateTimeField(null=True)
    rh_pct = models.FloatField(null=True)
    rh_at = models.DateTimeField(null=True)
    battery_pct = models.FloatField(null=True)
    battery_at = models.DateTimeField(null=True)

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name


class SensorPlacement(Withdrawable):
    """From a time on a sensor speaks for a place, or for none, until its next placement."""

    sensor = models.ForeignKey(Sensor, models.PROTECT, related_name="placements")
    place = models.ForeignKey(Place, models.PROTECT, null=True, blank=True, related_name="placements")
    start = models.DateTimeField()

    class Meta:
        ordering = ["start", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["sensor", "start"], condition=Q(withdrawn_at__isnull=True), name="placement_once"
            )
        ]

    def __str__(self) -> str:
        return f"{self.sensor_id} in {self.place_id} from {self.start:%Y-%m-%d %H:%M}"


class HeldValue(models.Model):
    """A value of a sensor that is no reading: it waits, or it was set aside."""

    class Quantity(models.TextChoices):
        TEMPERATURE = "temperature", _("temperature")
        HUMIDITY = "humidity", _("humidity")
        BATTERY = "battery", _("battery")

    class Reason(models.TextChoices):
        NO_PLACE = "no_place", _("the sensor had no place then")
        NO_PARTNER = "no_partner", _("the other value of its reading is missing")
        IMPOSSIBLE = "impossible", _("it cannot be")
        FUTURE = "future", _("its time was in the future")
        LONG_AGO = "long_ago", _("its time is before 2000")

    sensor = models.ForeignKey(Sensor, models.CASCADE, related_name="held")
    quantity = models.CharField(max_length=20, choices=Quantity)
    at = models.DateTimeField()
    value = models.FloatField()
    reason = models.CharField(max_length=20, choices=Reason)
    recorded_at = models.DateTimeField(default=timezone.now, editable=False, db_index=True)
    left_out_at = models.DateTimeField(null=True, editable=False, help_text="a person decided so")

    class Meta:
        ordering = ["at", "id"]
        constraints = [
            models.UniqueConstraint(fields=["sensor", "quantity", "at"], name="held_value_once"),
        ]

    def __str__(self) -> str:
        return f"{self.sensor_id} {self.quantity} {self.value:g} at {self.at:%Y-%m-%d %H:%M}"
