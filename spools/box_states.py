"""Stored states of the dry boxes' computed air, at UTC midnights: a cache that late facts cut back."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from django.db import transaction
from django.utils import timezone

from .box_courses import VERSION, complete_boxes, fingerprint_at, load_facts, stored, walk
from .checkpoints import facts_of
from .checks import one_writer
from .hourly import load_readings
from .models import BoxState, Place, Stay


@dataclass(frozen=True)
class Advance:
    """States of one box that were computed and wait to be stored, and the facts that they come from.

    anew: those that are stored are no longer good and go.
    """

    place_id: int
    spool_ids: list[int]
    room_id: int
    until: datetime
    facts: tuple[int, ...]
    anew: bool
    rows: list[BoxState]


def advance(until: datetime | None = None, *, again: bool = False) -> int:
    """Store the state of every box at each UTC midnight up to now. Returns how many were stored.

    again: from the present charges on, whatever was stored.
    """
    return store_advance(compute_advance(until or timezone.now(), again))


def compute_advance(until: datetime, again: bool = False) -> list[Advance]:
    """The states of all boxes that are not stored yet; stores nothing, needs no transaction."""
    return [_advance(place, until, again) for place in complete_boxes()]


@transaction.atomic
def store_advance(computed: Iterable[Advance]) -> int:
    """Store computed states; none of a box about which a fact was added meanwhile: the next turn sees it."""
    one_writer()
    count = 0
    for one in computed:
        list(Place.objects.select_for_update().filter(pk=one.place_id))
        if facts_of(one.spool_ids, [one.place_id, one.room_id], one.until) == one.facts:
            if one.anew:
                BoxState.objects.filter(place=one.place_id).delete()
            BoxState.objects.bulk_create(one.rows, batch_size=500, ignore_conflicts=True)
            count += len(one.rows)
    return count


def _advance(place: Place, until: datetime, again: bool) -> Advance:
    # Counted before they are read: one that is added meanwhile makes the difference.
    spool_ids = list(Stay.objects.filter(place=place).values_list("spool", flat=True).distinct())
    assert place.room_id is not None
    facts = facts_of(spool_ids, [place.pk, place.room_id], until)
    newest = None if again else place.box_states.last()
    since = until if newest is None else newest.at
    (box,) = load_facts({place: since}).values()
    start = None if newest is None else stored(box, since)
    if start is None and newest is not None:
        return _advance(place, until, again=True)
    begin = box.since(since) if start is None else start.hour
    readings = load_readings({box.room.pk: begin}, until)[box.room.pk]
    rows = [
        BoxState(
            place=place,
            at=reached.hour,
            model_version=VERSION,
            memory={
                "water_kg": reached.water_kg,
                "contents": {pk: values.tolist() for pk, values in reached.contents.items()},
            },
            basis=fingerprint_at(box, reached.hour),
        )
        for reached in walk(box, readings, start, since, until)
        if reached.hour.hour == 0 and (start is None or reached.hour > start.hour)
    ]
    return Advance(place.pk, spool_ids, box.room.pk, until, facts, start is None, rows)


def rebuild() -> list[str]:
    """Compute all stored states again from the facts. Returns what changed, in words: nothing should."""
    before = {(row.place_id, row.at): row for row in BoxState.objects.select_related("place")}
    advance(again=True)
    return [
        f"{row.place}: other air on {row.at:%Y-%m-%d}."
        for row in BoxState.objects.select_related("place")
        if (was := before.get((row.place_id, row.at))) is not None and was.memory != row.memory
    ]
