"""Keeps the stored moisture of all spools, and the stored air of dry boxes, up to date."""

import time

from django.utils import timezone

from background.queue import enqueue, every, work

from . import box_states, exposure, week
from .models import Spool, WeekPlan

BATCH = 100
# Computed together; and when a work item has done enough, well before its time is up.
GROUP, ENOUGH_S = 10, 40.0


@every(name="spools.advance_all", minutes=15, queue="moisture")
def advance_all() -> None:
    """Queue the spools that are not empty, some at a time; a batch that is not done yet is left alone."""
    ids = list(Spool.objects.filter(emptied_at=None).order_by("pk").values_list("pk", flat=True))
    for number, first in enumerate(range(0, len(ids), BATCH)):
        batch = {"spool_ids": ids[first : first + BATCH]}
        enqueue("spools.advance", batch, live_key=f"spools.advance:{number}")


def _advanced(spool_ids: list[int]) -> list[exposure.Advance]:
    """As many groups as time allows: what is left has its turn in the next round, which finds these done."""
    started, computed = time.monotonic(), []
    for first in range(0, len(spool_ids), GROUP):
        computed.append(exposure.compute_advance(spool_ids[first : first + GROUP], timezone.now()))
        if time.monotonic() - started > ENOUGH_S:
            break
    return computed


@work("spools.advance", prepare=_advanced, queue="moisture")
def advance(spool_ids: list[int], prepared: list[exposure.Advance]) -> None:
    """Store checkpoints that were computed outside the transaction."""
    for computed in prepared:
        exposure.store_advance(computed)


@every(name="spools.advance_boxes", minutes=15, queue="moisture")
def advance_boxes() -> None:
    enqueue("spools.boxes", live_key="spools.boxes")


def _advanced_boxes() -> list[box_states.Advance]:
    return box_states.compute_advance(timezone.now())


@work("spools.boxes", prepare=_advanced_boxes, queue="moisture")
def store_boxes(prepared: list[box_states.Advance]) -> None:
    """Store the computed air of the dry boxes."""
    box_states.store_advance(prepared)


def _worked_out(plan_id: int) -> week.WorkedOut:
    return week.work_out(WeekPlan.objects.get(pk=plan_id), week.WORK_LATER)


@work("spools.plan_week", prepare=_worked_out, queue="moisture")
def plan_week(plan_id: int, prepared: week.WorkedOut) -> None:
    """Store a plan of the week that takes longer than somebody would wait for."""
    week.store(WeekPlan.objects.get(pk=plan_id), prepared)
