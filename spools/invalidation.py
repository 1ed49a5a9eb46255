"""Deletes what was computed from facts and assumptions that change.

Whoever adds a fact or corrects an assumption calls this module in the same transaction. Each call also raises
the cache generation of the spools and dry boxes concerned. A result may be stored only while the generation
is the one from before its facts were read, so a fact that arrives during a computation is never lost.
"""

from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

from django.db import transaction
from django.db.models import F, Min, Q, QuerySet
from django.utils import timezone

from background.queue import enqueue
from spools.checks import CLOCK_TOLERANCE, EARLIEST, lock_spool_facts
from spools.models import (
    BoxAir,
    BoxBoard,
    CacheVersion,
    DesiccantCharge,
    Ensemble,
    Feedstock,
    Filler,
    MassEntry,
    MoisturePoint,
    MoistureState,
    Place,
    Polymer,
    Prior,
    Spool,
    SpoolBoard,
    SpoolLesson,
    Stay,
)

# Raise it when the physics or its steps change: `prepare` then drops what another version computed.
MODEL_VERSION = 12
REFRESH = "spools.refresh_board"
HOUR = timedelta(hours=1)
# Work that began before a sample of a dry box may be stored after it.
IN_HAND = timedelta(minutes=10)
# Readings that differ by no more are the same air, for the board: sensors are no better.
SAME_AIR_K, SAME_AIR_PCT = 1.0, 2.0
# Columns of places and materials on which no computed moisture rests.
UNRELATED = {
    *("id", "name", "version", "cache_generation"),
    *("max_set_point_c", "spool_capacity", "limit_rh_pct"),
    *("maker", "colour", "reorder_point_g", "data_sheet", "coupon_passed_c", "coupon_failed_c"),
}
# Columns of materials on which answers rest, but no moisture.
LIMITS = {
    *("limit_clear_pct", "limit_hold_pct", "limit_basis", "moulding_limit_pct", "softening_c", "dry_cap_c"),
    *("flow_c", "nozzle_min_c", "nozzle_max_c", "bed_min_c", "bed_max_c", "enclosure", "emission"),
}

# Deleted together: those that go on from there, and those of charts.
CHECKPOINTS = (MoistureState, MoisturePoint)


@transaction.atomic
def invalidate_after(spool_ids: Iterable[int], at: datetime) -> None:
    """Delete what was computed for these spools later than a fact that is being added.

    The dry boxes in which the spools were since are invalidated, and so are the other spools that may have
    breathed their air since.
    """
    lock_spool_facts()
    ids = set(spool_ids)
    stays = Stay.objects.filter(spool__in=ids, place__half_time_h__isnull=False)
    _invalidate_with_boxes(ids, set(_since(stays, at).values_list("place", flat=True)), at)


@transaction.atomic
def invalidate_after_mass(spool_id: int, at: datetime, *, weighed: bool) -> None:
    """Delete what was computed for a spool later than an entry of its mass that is being added.

    weighed: the entry is a weighing. It changes the members of the ensemble, and with them all checkpoints.
    So does an entry before an earlier weighing. A dry box takes a spool with the mass with which it came in, so
    only boxes into which it came since are invalidated.
    """
    lock_spool_facts()
    stays = Stay.objects.filter(spool=spool_id, place__half_time_h__isnull=False, start__gte=at)
    _invalidate_with_boxes({spool_id}, set(stays.values_list("place", flat=True)), at)
    if weighed:
        _invalidate_taught({spool_id}, at, at)
        Ensemble.objects.filter(spool=spool_id).delete()
        for model in CHECKPOINTS:
            model._default_manager.filter(spool=spool_id).delete()


def _invalidate_with_boxes(spool_ids: set[int], boxes: set[int], at: datetime) -> None:
    beside = _spools_in(boxes, at) if _is_breathed(boxes, at) else set()
    _invalidate_spools(spool_ids | beside, at, at)
    _invalidate_boxes(boxes, at)


def _is_breathed(boxes: set[int], at: datetime) -> bool:
    """Whether spools in these boxes may have breathed air from after a time.

    Their air is that of its last sample, of a quarter of a day or of a charge (spools/air/dry_box_simulation.py).
    """
    hour = at.astimezone(UTC).replace(minute=0, second=0, microsecond=0)
    next_sample = hour + timedelta(hours=6 - hour.hour % 6)
    if next_sample <= timezone.now() + IN_HAND:
        return True
    return DesiccantCharge.objects.filter(place__in=boxes, at__gt=at - 2 * HOUR).exists()


@transaction.atomic
def invalidate_after_readings(
    places: Sequence[Place], at: datetime, airs: Mapping[int, tuple[float, float]] | None = None
) -> None:
    """Delete what was computed later than the hour that begins at ``at``, for which readings are being added.

    That concerns the spools that were in these places since, or in a dryer or dry box in such a room, and these
    boxes. airs: the newest reading of each in °C and % RH, where all of them are of the present hour. Of rows of
    the board those then stay fresh that were computed with nearly that air, and those of spools in dry boxes in
    that room and of these boxes: a box follows its room slowly.
    """
    lock_spool_facts()
    ids = [place.pk for place in places]
    spools = _spools_breathing(ids, at)
    still_fresh = 0
    if airs is not None and spools:
        affected = Q(place__room__in=ids, place__kind__in=[Place.Kind.DRY_BOX, Place.Kind.BAG])
        for pk, air in airs.items():
            near = Q(
                air_temperature_c__range=_around(air[0], SAME_AIR_K),
                air_rh_pct__range=_around(air[1], SAME_AIR_PCT),
            )
            affected |= near & (Q(place=pk) | Q(place__room=pk, place__kind=Place.Kind.PRINTER))
        rows = SpoolBoard.objects.filter(affected, pk__in=spools, run=None)
        still_fresh = rows.update(generation=F("generation") + 1)
    # A weighing is assimilated with the readings before its hour, so those of its own hour change nothing.
    _invalidate_spools(spools, at, at + HOUR, stale_rows=still_fresh < len(spools))
    boxes = set(Place.objects.filter(room__in=ids, half_time_h__isnull=False).values_list("pk", flat=True))
    if not boxes:
        return
    _invalidate_boxes(boxes, at)
    if airs is not None:
        BoxBoard.objects.filter(place__in=boxes).update(generation=F("generation") + 1)
    # A sample holds the air of its own hour.
    BoxAir.objects.filter(place__in=boxes, at=at).delete()


@transaction.atomic
def invalidate_after_salt_check(place: Place, at: datetime) -> None:
    """Delete what was computed with the readings of a place since a time: they are corrected otherwise from then on."""
    lock_spool_facts()
    invalidate_after_readings([place], at.astimezone(UTC).replace(minute=0, second=0, microsecond=0))
    Place.objects.filter(pk=place.pk).update(cache_generation=F("cache_generation") + 1)
    if _is_air_of_prints(place):
        invalidate_answers()
    if Place.objects.filter(Q(pk=place.pk) | Q(room=place), kind=Place.Kind.DRYER).exists():
        invalidate_advice()


def _around(value: float, distance: float) -> tuple[float, float]:
    return value - distance, value + distance


@transaction.atomic
def invalidate_boxes_after(place_ids: Iterable[int], at: datetime) -> None:
    """Delete what was computed for dry boxes, and for the spools in them, later than a fact about the boxes."""
    lock_spool_facts()
    boxes = set(place_ids)
    _invalidate_spools(_spools_in(boxes, at), at, at)
    _invalidate_boxes(boxes, at)


@transaction.atomic
def save_assumptions(row: Place | Polymer | Filler | Feedstock, **options: Any) -> None:
    """Save a row on whose numbers computed moisture rests; what was computed with other numbers is deleted.

    options: those of Model.save.
    """
    lock_spool_facts()
    changed = _list_changed(row)
    row.save(**options)
    if isinstance(row, Place) and row.kind == Place.Kind.DRYER:
        # Also by its name and its hottest set point, on which no moisture rests.
        invalidate_advice()
    if changed and isinstance(row, Place) and _is_air_of_prints(row):
        invalidate_answers()
    if changed and isinstance(row, Place):
        boxes = Place.objects.filter(Q(pk=row.pk) | Q(room=row)).values_list("pk", flat=True)
        invalidate_after(_spools_breathing([row.pk], EARLIEST), EARLIEST)
        _invalidate_boxes(set(boxes), EARLIEST)
    elif changed:
        name = {Polymer: "feedstock__polymer", Filler: "feedstock__filler", Feedstock: "feedstock"}[type(row)]
        spool_ids = set(Spool.objects.filter(**{name: row}).values_list("pk", flat=True))
        if changed <= LIMITS:
            _invalidate_spools(spool_ids, timezone.now(), timezone.now())
        else:
            invalidate_after(spool_ids, EARLIEST)


@transaction.atomic
def invalidate_all() -> None:
    """Delete everything that was computed from facts."""
    lock_spool_facts()
    for model in (SpoolBoard, *CHECKPOINTS, Ensemble, Prior, SpoolLesson, BoxAir, BoxBoard):
        model._default_manager.all().delete()
    Spool.objects.update(cache_generation=F("cache_generation") + 1)
    Place.objects.update(cache_generation=F("cache_generation") + 1)
    wake()


@transaction.atomic
def invalidate_other_versions() -> bool:
    """Delete everything when another version of the physics computed it. Returns whether that was so."""
    lock_spool_facts()
    row, _ = CacheVersion.objects.get_or_create(pk=1, defaults={"model_version": MODEL_VERSION})
    if row.model_version == MODEL_VERSION:
        return False
    invalidate_all()
    CacheVersion.objects.update(model_version=MODEL_VERSION)
    return True


@transaction.atomic
def invalidate_answers() -> None:
    """Make all rows of the board stale: the printers stand in other air. No stored moisture rests on that."""
    lock_spool_facts()
    Spool.objects.filter(ended_at=None).update(cache_generation=F("cache_generation") + 1)
    wake()


@transaction.atomic
def invalidate_rows(spool_ids: Iterable[int]) -> None:
    """Make the rows of these spools on the board stale: their prints have changed. No stored moisture rests on that."""
    lock_spool_facts()
    Spool.objects.filter(pk__in=list(spool_ids)).update(cache_generation=F("cache_generation") + 1)
    wake()


@transaction.atomic
def invalidate_advice() -> None:
    """Make the drying advice of all spools that need any stale: the dryers are used, or may be used, otherwise."""
    load_advice_generation()
    CacheVersion.objects.update(advice_generation=F("advice_generation") + 1)
    wake()


def load_advice_generation() -> int:
    return CacheVersion.objects.get_or_create(pk=1, defaults={"model_version": MODEL_VERSION})[
        0
    ].advice_generation


def is_current_version() -> bool:
    """Whether the caches are those of this version: a program that was not restarted stores nothing."""
    return not CacheVersion.objects.exclude(model_version=MODEL_VERSION).exists()


def wake() -> None:
    """Has the worker bring the board up to date right after the caller's transaction.

    While that work waits or runs none is added: it looks for stale rows itself, and again before it ends.
    """
    enqueue(REFRESH, singleton_key=REFRESH)


def _is_air_of_prints(place: Place) -> bool:
    """Whether spools print in the air of a place: a printer, a place that feeds one, or the room of a printer."""
    if place.feeds or place.kind == Place.Kind.PRINTER:
        return True
    return Place.objects.filter(room=place, kind=Place.Kind.PRINTER).exists()


def _list_changed(row: Place | Polymer | Filler | Feedstock) -> set[str]:
    """The columns that differ from the stored ones, of those on which answers rest; empty for a new row."""
    names = [field.attname for field in row._meta.concrete_fields if field.name not in UNRELATED]
    stored = type(row)._default_manager.filter(pk=row.pk).values(*names).first() or {}
    return {name for name, value in stored.items() if value != getattr(row, name)}


def _spools_in(place_ids: set[int], at: datetime) -> set[int]:
    """The spools that were in these dry boxes since a time, in bags too."""
    if not place_ids:
        return set()
    stays = Stay.objects.filter(Q(place__in=place_ids) | Q(place__room__in=place_ids))
    return set(_since(stays, at).values_list("spool", flat=True))


def _spools_breathing(place_ids: Sequence[int], at: datetime) -> set[int]:
    """The spools that were in such a place since a time, or in a dryer, dry box or bag in that room, a bag in such a box."""
    here, room = Q(place__in=place_ids), Q(place__room__in=place_ids)
    stays = Stay.objects.filter(here | room | Q(place__room__room__in=place_ids))
    return set(_since(stays, at).values_list("spool", flat=True))


def _since(stays: QuerySet[Stay], at: datetime) -> QuerySet[Stay]:
    return stays.filter(Q(end=None) | Q(end__gte=at))


def _invalidate_boxes(place_ids: set[int], at: datetime) -> None:
    if place_ids:
        Place.objects.filter(pk__in=place_ids).update(cache_generation=F("cache_generation") + 1)
        BoxAir.objects.filter(place__in=place_ids, at__gt=at).delete()


def _invalidate_spools(
    spool_ids: set[int], at: datetime, weighed_after: datetime, *, stale_rows: bool = True
) -> None:
    """stale_rows: whether rows of the board become stale by this."""
    if not spool_ids:
        return
    Spool.objects.filter(pk__in=spool_ids).update(cache_generation=F("cache_generation") + 1)
    weighed_later = Ensemble.objects.filter(spool__in=spool_ids, last_at__gte=weighed_after)
    stale = Q(at__gt=at) | Q(spool__in=weighed_later.values("spool"))
    for model in CHECKPOINTS:
        model._default_manager.filter(stale, spool__in=spool_ids).delete()
    weighed_later.delete()
    SpoolLesson.objects.filter(spool__in=spool_ids, last_at__gte=weighed_after).delete()
    # How it arrived, and its feedstock, decide which spools taught it.
    Prior.objects.filter(spool__in=spool_ids, spool__received_at__gt=at).delete()
    _invalidate_taught(spool_ids, weighed_after)
    if stale_rows:
        wake()


def _invalidate_taught(
    spool_ids: set[int], weighed_after: datetime, weighed_at: datetime | None = None
) -> None:
    """Delete what was computed for the spools that learnt from weighings of these after a time.

    They were received after such a weighing, so a fact of today concerns none. weighed_at: of a weighing that is being
    added or withdrawn.
    """
    if weighed_after > timezone.now() + CLOCK_TOLERANCE:
        return
    # A withdrawn weighing counts: they learnt from it.
    weighings = MassEntry.objects.filter(
        kind=MassEntry.Kind.WEIGHED, spool__in=spool_ids, at__gte=weighed_after
    )
    first = dict(weighings.order_by().values_list("spool__feedstock").annotate(Min("at")))
    if weighed_at is not None:
        first |= dict.fromkeys(
            Spool.objects.filter(pk__in=spool_ids).values_list("feedstock", flat=True), weighed_at
        )
    later = Q(pk__in=[])
    for feedstock_id, at in first.items():
        later |= Q(feedstock=feedstock_id, received_at__gt=at)
    taught = set(Spool.objects.filter(later).values_list("pk", flat=True)) if first else set()
    if not taught:
        return
    Spool.objects.filter(pk__in=taught).update(cache_generation=F("cache_generation") + 1)
    for model in (*CHECKPOINTS, Ensemble, Prior):
        model._default_manager.filter(spool__in=taught).delete()
    wake()
