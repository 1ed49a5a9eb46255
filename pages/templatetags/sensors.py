"""The sensor of a place as text."""

from django import template
from django.utils import timezone

from maintenance.reminders.conditions.sensors import Late, late_sensors
from spools.models import Place

register = template.Library()


@register.simple_tag
def silent_sensor(place: Place) -> Late | None:
    """The sensor of a place that has sent nothing for longer than usual; None otherwise."""
    return next((late for late in late_sensors(timezone.now()) if late.place == place), None)
