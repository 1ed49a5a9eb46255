"""Dry boxes and dryers that filament is fed from: a spool stays in their air while it is loaded and prints."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db.models import Q, QuerySet

from background.prepared import PreparedQuery, PreparedRows
from maintenance.models import Loading
from spools.air.climate import Climate, climates_now
from spools.models import Place
from spools.physics_inputs import ConstantAir


@dataclass(frozen=True)
class FeedPlaces:
    """The places that filament can be fed from, with their air, by place id.

    fed: the place from which the spool on a toolhead is fed, by the ids of toolhead and spool.
    """

    places: Mapping[int, Place]
    climates: Mapping[int, Climate]
    fed: Mapping[tuple[int, int], int]

    def air(self, place_id: int, hours: float = 0.0) -> ConstantAir:
        """The air of one of the places, for some hours."""
        climate, place = self.climates[place_id], self.places[place_id]
        return climate.constant(hours, moving=place.moved_air)


NO_FEED_PLACES = FeedPlaces({}, {}, {})


def load_feed_places(at: datetime | None = None) -> FeedPlaces:
    """The places that feed at a time, or now. One query in a shop without any, else some more."""
    places = {place.pk: place for place in _PLACES.run()}
    if not places:
        return NO_FEED_PLACES
    if at is None:
        rows: Iterable[Any] = _FED_NOW.run()
    else:
        loadings = Loading.objects.filter(Q(end=None) | Q(end__gt=at), start__lte=at, fed_from__in=places)
        rows = loadings.values_list("toolhead", "spool", "fed_from")
    fed = {(toolhead, spool): place for toolhead, spool, place in rows if place is not None}
    return FeedPlaces(places, climates_now(places.values(), at), fed)


def _select_places() -> QuerySet[Place]:
    fed_now = Q(fed_loadings__isnull=False, fed_loadings__end=None, fed_loadings__withdrawn_at=None)
    return Place.objects.filter(Q(feeds=True) | fed_now).distinct()


_PLACES = PreparedRows(_select_places)
_FED_NOW = PreparedQuery(
    lambda: Loading.objects.filter(end=None, fed_from__isnull=False).values_list(
        "toolhead", "spool", "fed_from"
    )
)
