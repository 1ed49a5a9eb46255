"""What is stored of the dry boxes' computed air: caches that late facts cut back.

Their states at UTC midnights, to continue from; and the air at their turns, which the spools in them take.
"""

from collections.abc import Collection, Iterable
from dataclasses import dataclass, replace
from datetime import datetime

from django.db import transaction
from django.utils import timezone

from spools.air.dry_box_simulation import (
    VERSION,
    Reached,
    Stored,
    Turn,
    complete_boxes,
    followed,
    fresh,
    stored,
    turns,
)
from spools.air.hourly import HOUR, hour_of
from spools.checks import EARLIEST, lock_spool_facts
from spools.models import BoxAir, BoxState, Place


@dataclass(frozen=True)
class Advance:
    """What was computed of one box and waits to be stored.

    cache_generation: of the box before its facts were read. good_until: what is stored after that is not
    good any more and goes; None: all of it. mark: of the assumptions that the rest was found good for.
    """

    place_id: int
    cache_generation: int
    good_until: datetime | None
    mark: str
    states: list[BoxState]
    airs: list[BoxAir]


def advance(until: datetime | None = None, *, again: bool = False) -> int:
    """Bring what is stored of all boxes up to now. Returns how many states were stored.

    again: from their first charges on, whatever was stored.
    """
    return store_advance(compute_advance(until or timezone.now(), again=again))


def compute_advance(
    until: datetime, place_ids: Collection[int] | None = None, *, again: bool = False
) -> list[Advance]:
    """What is not stored yet of all boxes, or of these; stores nothing, needs no transaction.

    Only hours that are over: the air of one that is not changes with its next reading.
    """
    until = hour_of(until)
    # Read before all facts: one that is added meanwhile cuts the box back.
    boxes = [box for box in complete_boxes() if place_ids is None or box.pk in place_ids]
    known = fresh(boxes) if again else stored(dict.fromkeys(boxes, until), until)
    behind = [
        box if box.found else replace(box, state=None)
        for box in known.values()
        if box.periods and (box.facts is not None or _is_behind(box, until))
    ]
    return [_advance(box, steps) for box, steps in followed(behind, EARLIEST, until)]


def _is_behind(box: Stored, until: datetime) -> bool:
    since = box.found[-1].at + HOUR if box.found else EARLIEST
    return any(turns(box.periods, since, until))


def _advance(box: Stored, steps: Iterable[tuple[Reached, Turn | None]]) -> Advance:
    place, last = box.place, box.found[-1].at if box.found else None
    states, airs = [], []
    for reached, turn in steps:
        if turn is None or (last is not None and turn.at <= last):
            continue
        airs.append(BoxAir(place=place, assumed=box.mark, **turn._asdict()))
        if turn.at.hour == 0:
            contents = {pk: values.tolist() for pk, values in reached.contents.items()}
            memory = {"water_kg": reached.water_kg, "contents": contents}
            states.append(
                BoxState(place=place, at=turn.at, model_version=VERSION, memory=memory, basis=turn.basis)
            )
    return Advance(place.pk, place.cache_generation, last, box.mark, states, airs)


@transaction.atomic
def store_advance(computed: Iterable[Advance]) -> int:
    """Store what was computed; nothing of a box that was cut back meanwhile: the next turn sees to it."""
    lock_spool_facts()
    count = 0
    for one in computed:
        if not Place.objects.select_for_update(no_key=True).filter(
            pk=one.place_id, cache_generation=one.cache_generation
        ):
            continue
        good_until = one.good_until or EARLIEST
        BoxState.objects.filter(place=one.place_id, at__gt=good_until).delete()
        BoxAir.objects.filter(place=one.place_id, at__gt=good_until).delete()
        BoxAir.objects.filter(place=one.place_id).exclude(assumed=one.mark).update(assumed=one.mark)
        BoxState.objects.bulk_create(one.states, batch_size=500)
        BoxAir.objects.bulk_create(one.airs, batch_size=1000)
        count += len(one.states)
    return count


def rebuild() -> list[str]:
    """Compute all that is stored again from the facts. Returns what changed, in words: nothing should."""
    before = _told()
    advance(again=True)
    after = _told()
    return [
        f"{place}: other air on {at:%Y-%m-%d}."
        for (kept, place, at), was in before.items()
        if after.get((kept, place, at), was) != was
    ]


def _told() -> dict[tuple[type, str, datetime], object]:
    """What is stored, by kind, place and time."""
    states = BoxState.objects.values_list("place__name", "at", "memory")
    airs = BoxAir.objects.values_list("place__name", "at", "temperature_c", "rh_pct")
    return {(BoxState, place, at): memory for place, at, memory in states} | {
        (BoxAir, place, at): air for place, at, *air in airs
    }
