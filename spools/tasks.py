"""Keeps the board of spools, their stored moisture, and the stored air of dry boxes up to date."""

import time
from collections.abc import Iterator
from datetime import datetime, timedelta

from django.utils import timezone

from background.queue import background_work, enqueue, enqueue_next, repeated_work
from spools.air import averaging, dry_box_cache
from spools.air.dry_box_facts import boxes_in, complete_boxes
from spools.air.sensors.acts import prune_held
from spools.air.storing import ADVANCE_ROOM
from spools.board import advising, board
from spools.drying.week.plans import ComputedPlan, compute_plan, store_plan
from spools.edits import idempotency
from spools.invalidation import REFRESH, is_current_version
from spools.moisture.checkpoints import latest_times

from .models import WeekPlan

BATCH, BOXES = 500, 10
# Spools that are computed together, and load what they share once: many where little time has passed since
# their checkpoints, few where the whole past has to be computed. A work item ends well before its time limit.
GROUPS = {timedelta(days=10): 500, timedelta(days=30): 100}
LONG_GROUP, ENOUGH_S, ADVISE_S = 10, 40.0, 2.0
AVERAGE = "spools.average_readings"
ADVISE, ADVISE_AGAIN = "spools.advise", timedelta(seconds=5)
# Advice is the dearest answer: as many work items as a shop has workers share the spools by their numbers.
ADVISERS = 2


@repeated_work(name="spools.queue_advances", minutes=15, queue="moisture")
def queue_advances() -> None:
    """Queue the dry boxes, whose air the spools in them take, and the spools that are due.

    A batch that still waits is not queued again.
    """
    boxes = [box.pk for box in complete_boxes()]
    for number, first in enumerate(range(0, len(boxes), BOXES)):
        arguments = {"place_ids": boxes[first : first + BOXES]}
        enqueue("spools.advance_dry_boxes", arguments, singleton_key=f"spools.advance_dry_boxes:{number}")
    _queue_batches(board.find_due(timezone.now()))
    _queue_advice()


def _queue_batches(spool_ids: list[int]) -> None:
    """Workers share these spools. A batch that still waits is not queued again; the next look finds its spools."""
    for number, first in enumerate(range(0, len(spool_ids), BATCH)):
        batch = {"spool_ids": spool_ids[first : first + BATCH]}
        enqueue("spools.advance_moisture", batch, singleton_key=f"spools.advance_moisture:{number}")


def _compute_board(spool_ids: list[int]) -> list[board.ComputedBoard]:
    """As many groups as time allows; the next round finds the others still due."""
    started, computed = time.monotonic(), []
    _advance_boxes(len(spool_ids))
    for group in _groups(spool_ids):
        computed.append(board.compute(group, timezone.now()))
        if time.monotonic() - started > ENOUGH_S:
            break
    return computed


def _advance_boxes(spool_count: int) -> None:
    """Store the air of dry boxes first where many spools follow: each group of them would compute it again."""
    if spool_count > advising.AT_ONCE:
        dry_box_cache.advance(timezone.now())


def _compute_due(spool_ids: list[int]) -> list[board.ComputedBoard]:
    """Those that another worker or a reader has not computed meanwhile."""
    return _compute_board(sorted({*spool_ids} & {*board.find_due(timezone.now())}))


def _compute_stale() -> list[board.ComputedBoard]:
    return _compute_board(board.find_stale(timezone.now())[:BATCH])


@background_work(REFRESH, prepare=_compute_stale, queue="moisture")
def refresh_board(prepared: list[board.ComputedBoard]) -> None:
    """Store the rows of spools that had become stale, and see to those that became so meanwhile.

    Facts that are recorded after this look wait for its lock and are followed by work of their own.
    """
    for computed in prepared:
        board.store(computed)
    left = board.find_stale(timezone.now()) if is_current_version() else []
    if len(left) > BATCH:
        _queue_batches(left)
    elif left:
        enqueue_next(REFRESH, {}, timezone.now(), singleton_key=REFRESH)
    _queue_advice()


def _queue_advice() -> None:
    for share in sorted({pk % ADVISERS for pk in advising.find_unadvised(timezone.now())}):
        enqueue(ADVISE, {"share": share}, singleton_key=f"{ADVISE}:{share}")


def _find_unadvised(share: int, now: datetime) -> list[int]:
    return [pk for pk in advising.find_unadvised(now) if pk % ADVISERS == share]


def _compute_advice(share: int) -> list[advising.ComputedAdvice]:
    """Of as many spools as a short time allows: rows that become stale meanwhile do not wait for long."""
    started, now, computed = time.monotonic(), timezone.now(), []
    if not (waiting := _find_unadvised(share, now)):
        return []
    _advance_boxes(len(waiting))
    shop = advising.AdvisedShop.load(now)
    for first in range(0, len(waiting), advising.GROUP):
        computed.append(advising.compute(waiting[first : first + advising.GROUP], shop))
        if time.monotonic() - started > ADVISE_S:
            break
    return computed


@background_work(ADVISE, prepare=_compute_advice, queue="moisture")
def advise_spools(share: int, prepared: list[advising.ComputedAdvice]) -> None:
    """Store the drying advice of rows that came without it, or whose advice has grown old."""
    stored = sum(advising.store(computed) for computed in prepared)
    if is_current_version() and _find_unadvised(share, timezone.now()):
        # Where a fact about the dryers came meanwhile, another may follow.
        due = timezone.now() if stored else timezone.now() + ADVISE_AGAIN
        enqueue_next(ADVISE, {"share": share}, due, singleton_key=f"{ADVISE}:{share}")


def _groups(spool_ids: list[int]) -> Iterator[list[int]]:
    """Groups of spools, those with the newest checkpoints first."""
    now, times, left = timezone.now(), latest_times(spool_ids), set(spool_ids)
    for behind, size in (*GROUPS.items(), (None, LONG_GROUP)):
        near = sorted(pk for pk in left if behind is None or (pk in times and times[pk] > now - behind))
        left.difference_update(near)
        yield from (near[first : first + size] for first in range(0, len(near), size))


@repeated_work(name="spools.prune_held_values", days=1)
def prune_held_values() -> None:
    """Forget values of sensors that found neither place nor partner."""
    prune_held(timezone.now())


@repeated_work(name="spools.prune_keys", days=1)
def prune_keys() -> None:
    """Forget the keys of forms and requests that are not sent again."""
    idempotency.prune(timezone.now())


@repeated_work(name="spools.average_old_readings", days=1)
def average_old_readings() -> None:
    """Queue the places whose readings have become old."""
    for place_id in averaging.find_places(timezone.now()):
        enqueue(AVERAGE, {"place_id": place_id}, singleton_key=f"{AVERAGE}:{place_id}")


@background_work(AVERAGE)
def average_readings(place_id: int, after: str = "") -> None:
    """Put hourly means in the place of some days of readings, and go on with the next ones."""
    start = datetime.fromisoformat(after) if after else None
    end = averaging.average_readings(place_id, start, timezone.now())
    if end is not None:
        enqueue_next(
            AVERAGE,
            {"place_id": place_id, "after": end.isoformat()},
            timezone.now(),
            singleton_key=f"{AVERAGE}:{place_id}",
        )


@background_work("spools.advance_moisture", prepare=_compute_due, queue="moisture")
def advance_moisture(spool_ids: list[int], prepared: list[board.ComputedBoard]) -> None:
    """Store checkpoints and rows of the board that were computed outside the transaction."""
    for computed in prepared:
        board.store(computed)


def _compute_dry_boxes(place_ids: list[int]) -> list[dry_box_cache.ComputedBox]:
    return dry_box_cache.compute_advance(timezone.now(), place_ids)


@background_work("spools.advance_dry_boxes", prepare=_compute_dry_boxes, queue="moisture")
def advance_dry_boxes(place_ids: list[int], prepared: list[dry_box_cache.ComputedBox]) -> None:
    """Store the computed air of these dry boxes."""
    dry_box_cache.store_advance(prepared)


def _compute_room(room_id: int) -> list[dry_box_cache.ComputedBox]:
    behind = dry_box_cache.find_behind(boxes_in(room_id), timezone.now())
    return dry_box_cache.compute_advance(timezone.now(), behind[:BOXES])


@background_work(ADVANCE_ROOM, prepare=_compute_room, queue="moisture")
def advance_boxes_in_room(room_id: int, prepared: list[dry_box_cache.ComputedBox]) -> None:
    """Store the computed air of the dry boxes in a room, and see to those that readings invalidated meanwhile.

    Readings that are recorded after this look wait for its lock and are followed by work of their own.
    """
    dry_box_cache.store_advance(prepared)
    if is_current_version() and dry_box_cache.find_behind(boxes_in(room_id), timezone.now()):
        enqueue_next(
            ADVANCE_ROOM, {"room_id": room_id}, timezone.now(), singleton_key=f"{ADVANCE_ROOM}:{room_id}"
        )


def _compute_plan(plan_id: int) -> ComputedPlan | None:
    plan = WeekPlan.objects.get(pk=plan_id)
    # It may have been stored, or another plan may have taken its place, while it waited.
    return compute_plan(plan) if plan.made_at is None and plan.ended_at is None else None


@background_work("spools.plan_week", prepare=_compute_plan, limit_s=300, queue="moisture")
def plan_week(plan_id: int, prepared: ComputedPlan | None) -> None:
    """Store a plan of the week that was computed outside the transaction."""
    if prepared is not None:
        store_plan(WeekPlan.objects.get(pk=plan_id), prepared)
