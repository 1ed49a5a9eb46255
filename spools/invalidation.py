"""Stored moisture checkpoints: a cache that late facts cut back and that grows thinner with age."""

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta

from django.db import transaction
from django.db.models import F, Max, OuterRef, Q, QuerySet, Subquery

from spools.air.hourly import HOUR
from spools.checks import lock_spool_facts
from spools.models import BoxAir, BoxState, Ensemble, MoistureState, OuterTurns, Place, Spool, Stay

# Raise it when the physics or the steps change: checkpoints of another version are not continued from.
MODEL_VERSION = 3
DAILY = timedelta(days=8)
MONTH_DAYS = 30


@transaction.atomic
def invalidate_after(spool_ids: Iterable[int], at: datetime) -> None:
    """Delete the checkpoints later than a fact that is being added for these spools.

    Where a weighing came after it, the members of the ensemble change, and with them all checkpoints.
    So are those of the dry boxes that they were in since, and of the spools that shared these with them.
    What the outer turns hold goes in any case: a print or a weighing of this minute changes that, too.
    Waits for whoever is storing checkpoints of them, see spools.moisture.state.store_advance.
    """
    lock_spool_facts()
    given = set(spool_ids)
    boxes = _boxes_of(given, at)
    _invalidate_spools(given | _inside(boxes, at), at, at)
    OuterTurns.objects.filter(spool__in=given).delete()
    _invalidate_boxes(boxes, at)


@transaction.atomic
def invalidate_after_readings(place: Place, at: datetime) -> None:
    """Delete what was computed later than the hour that begins at ``at``, of which a reading is being added.

    Of the spools that were there since, or in a dryer or dry box in that room, and of these boxes.
    """
    lock_spool_facts()
    there = _since(Stay.objects.filter(Q(place=place) | Q(place__room=place)), at)
    # A weighing is worked in with the readings before its hour (spools/exposure.py): those in it say nothing.
    _invalidate_spools(set(there.values_list("spool", flat=True)), at, at + HOUR)
    boxes = set(Place.objects.filter(room=place, half_time_h__isnull=False).values_list("pk", flat=True))
    _invalidate_boxes(boxes, at)
    # A turn's air is that of its hour.
    BoxAir.objects.filter(place__in=boxes, at=at).delete()


@transaction.atomic
def invalidate_boxes_after(place_ids: Iterable[int], at: datetime) -> None:
    """Delete the checkpoints of dry boxes, and of the spools in them, later than a fact about them."""
    lock_spool_facts()
    boxes = set(place_ids)
    _invalidate_spools(_inside(boxes, at), at, at)
    _invalidate_boxes(boxes, at)


def _boxes_of(spool_ids: set[int], at: datetime) -> set[int]:
    """The dry boxes whose air may be computed that these spools were in since a time."""
    stays = Stay.objects.filter(spool__in=spool_ids, place__half_time_h__isnull=False)
    return set(_since(stays, at).values_list("place", flat=True))


def _inside(place_ids: set[int], at: datetime) -> set[int]:
    """The spools that were in these places since a time."""
    if not place_ids:
        return set()
    return set(_since(Stay.objects.filter(place__in=place_ids), at).values_list("spool", flat=True))


def _since(stays: QuerySet[Stay], at: datetime) -> QuerySet[Stay]:
    return stays.filter(Q(end=None) | Q(end__gte=at))


def _invalidate_boxes(place_ids: set[int], at: datetime) -> None:
    """Waits for whoever is storing these boxes' states, see spools.box_states.store_advance."""
    if place_ids:
        list(Place.objects.select_for_update(no_key=True).filter(pk__in=place_ids).order_by("pk"))
        Place.objects.filter(pk__in=place_ids).update(cache_generation=F("cache_generation") + 1)
        BoxState.objects.filter(place__in=place_ids, at__gt=at).delete()
        BoxAir.objects.filter(place__in=place_ids, at__gt=at).delete()


def _invalidate_spools(spool_ids: set[int], at: datetime, weighed_after: datetime) -> None:
    locked = Spool.objects.select_for_update(no_key=True).filter(pk__in=spool_ids).order_by("pk")
    ids = list(locked.values_list("pk", flat=True))
    Spool.objects.filter(pk__in=ids).update(cache_generation=F("cache_generation") + 1)
    weighed_later = Ensemble.objects.filter(spool__in=ids, last_at__gte=weighed_after)
    stale = Q(at__gt=at) | Q(spool__in=weighed_later.values("spool"))
    MoistureState.objects.filter(stale, spool__in=ids).delete()
    OuterTurns.objects.filter(stale, spool__in=ids).delete()
    weighed_later.delete()


def latest(spool_ids: Iterable[int], at: datetime) -> dict[int, MoistureState]:
    """The newest usable checkpoint of each spool up to ``at``, by spool id. One query."""
    newest = (
        MoistureState.objects.filter(spool=OuterRef("pk"), at__lte=at, model_version=MODEL_VERSION)
        .order_by("-at")
        .values("pk")[:1]
    )
    wanted = Spool.objects.filter(pk__in=list(spool_ids)).annotate(newest=Subquery(newest))
    return {state.spool_id: state for state in MoistureState.objects.filter(pk__in=wanted.values("newest"))}


def latest_times(spool_ids: Iterable[int]) -> dict[int, datetime]:
    """When each spool that has a usable checkpoint has its newest, by spool id. One query."""
    rows = MoistureState.objects.filter(spool__in=list(spool_ids), model_version=MODEL_VERSION).order_by()
    return dict(rows.values_list("spool").annotate(newest=Max("at")))


def slot(at: datetime, newest: datetime) -> tuple[str, int]:
    """Checkpoints that share a slot are one too many: a day, or 30 days when older than 8."""
    day = at.astimezone(UTC).toordinal()
    return ("day", day) if newest - at <= DAILY else ("month", day // MONTH_DAYS)


def prune(spool_ids: Iterable[int]) -> None:
    """Keep the newest checkpoint, the last of each day for 8 days, the last of each 30 days before that."""
    kept: dict[int, set[tuple[str, int]]] = {}
    newest: dict[int, datetime] = {}
    surplus = []
    rows = (
        MoistureState.objects.filter(spool_id__in=list(spool_ids), model_version=MODEL_VERSION)
        .order_by("spool", "-at")
        .values_list("pk", "spool_id", "at")
    )
    for pk, spool_id, at in rows:
        place = slot(at, newest.setdefault(spool_id, at))
        slots = kept.setdefault(spool_id, set())
        if place in slots:
            surplus.append(pk)
        slots.add(place)
    MoistureState.objects.filter(
        Q(pk__in=surplus) | (Q(spool_id__in=list(kept)) & ~Q(model_version=MODEL_VERSION))
    ).delete()
