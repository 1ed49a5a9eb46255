"""The places of a drying week: how many spools fit into a dryer, which ones may share it, where they go after."""

from spools.air.climate import Climate, climates_now
from spools.models import Place, Spool

# A spool that smells of one of these is dried only with others that smell of the same. Common practice, no
# source.
SMELLS = {"styrene", "methyl methacrylate", "formaldehyde if overheated"}


def smell_of(spool: Spool) -> str:
    """The smell that a spool must not share a dryer with others for; empty for most."""
    emission = spool.feedstock.polymer.emission
    return emission if emission in SMELLS else ""


def capacity_of(dryer: Place, running: int) -> int:
    """How many spools a dryer holds: one where it is not recorded, and never fewer than are in it now."""
    return max(dryer.spool_capacity or 1, running)


def driest_storage() -> tuple[Place, Climate] | None:
    """The driest place that is neither a dryer nor a printer. Plans assume that dried spools go there."""
    kinds = [Place.Kind.DRYER, Place.Kind.PRINTER]
    places = list(Place.objects.exclude(kind__in=kinds).select_related("room"))
    if not places:
        return None
    air = climates_now(places)
    best = min(places, key=lambda place: (air[place.pk].rh_pct, place.pk))
    return best, air[best.pk]
