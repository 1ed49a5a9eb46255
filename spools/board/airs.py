"""Classes of air: places whose air is equal within the precision of readings share their forecasts."""

from collections.abc import Iterable
from datetime import datetime
from typing import NamedTuple

from django.db.models import Q

from spools.air.climate import climates_now
from spools.models import Place

STEP_K, STEP_RH_PCT = 1, 2


class AirClass(NamedTuple):
    """Air rounded to STEP_K and STEP_RH_PCT, moved by a fan or not."""

    temperature_c: float
    rh_pct: float
    moving: bool


def air_class(temperature_c: float, rh_pct: float, moving: bool) -> AirClass:
    """The class of an air, °C and % RH."""
    rounded_c, rounded_pct = STEP_K * round(temperature_c / STEP_K), STEP_RH_PCT * round(rh_pct / STEP_RH_PCT)
    return AirClass(float(rounded_c), float(min(100, rounded_pct)), moving)


def load_air_classes(now: datetime) -> list[AirClass]:
    """The classes of air in which spools print now, in order: of printers and of places that feed them.

    A fixed number of queries.
    """
    places = Place.objects.in_use().filter(Q(kind=Place.Kind.PRINTER) | Q(feeds=True))
    return sorted(classes_of(places, now))


def classes_of(places: Iterable[Place], now: datetime) -> set[AirClass]:
    """The classes of the air in these places at a time."""
    places = list(places)
    climates = climates_now(places, now)
    return {
        air_class(climates[place.pk].temperature_c, climates[place.pk].rh_pct, place.moved_air)
        for place in places
    }
