"""Loadings that are corrected or withdrawn: the spool is where it was before, as if never loaded."""

from datetime import datetime
from typing import Any

from django.db import transaction
from django.db.models import Q

from maintenance.changes import toolheads_changed
from maintenance.machines.stays import follow_spool
from maintenance.models import Loading
from spools.checks import lock_spool, lock_spool_facts, require_past_time
from spools.codes import pretty
from spools.facts import describe_withdrawal, follows_withdrawal, mark_withdrawn, withdraw
from spools.inventory.ledger import JUST_BEFORE
from spools.inventory.openings import record_opening
from spools.inventory.stays import follow_moves, require_fits
from spools.models import Move, Opening, Spool
from spools.refusals import refusal
from spools.wording import format_time


def _lock(loading: Loading) -> None:
    lock_spool_facts()
    lock_spool(loading.spool)


@follows_withdrawal(Loading, prepare=_lock)
def forget_loading(loading: Loading) -> None:
    """The spool is where it was before, and the one that was on the toolhead until then stays off.

    Refused: a loading from which a print was made.
    """
    for move in (loading.move, loading.unloading):
        if move is not None and move.withdrawn_at is None:
            mark_withdrawn(move, by=loading.withdrawn_by, reason=loading.withdrawn_reason)
    _close_bag(loading)
    _follow(loading, loading.start)


def _close_bag(loading: Loading) -> None:
    if loading.opening_id is not None:
        opening = Opening.objects.get(pk=loading.opening_id)
        if opening.withdrawn_at is None:
            withdraw(opening, reason=loading.withdrawn_reason or None, by=loading.withdrawn_by)


def _follow(loading: Loading, since: datetime) -> None:
    since -= JUST_BEFORE
    follow_moves(Spool.objects.get(pk=loading.spool_id), since, late=True)
    # A spool that was in the slot before, and was not unloaded, may have been on it for longer.
    former = Loading.objects.filter(toolhead=loading.toolhead_id, slot=loading.slot, end__gte=since).exclude(
        spool=loading.spool_id
    )
    for other in former.select_related("spool"):
        follow_spool(other.spool, since, late=True)
    toolheads_changed(Q(pk=loading.toolhead_id))


@transaction.atomic
def correct_loading(loading: Loading, *, at: datetime, by: Any = None) -> Loading:
    """Withdraw a loading and add it with the right time. Returns that one.

    Refused: a time after it was unloaded, other moves or loadings then, prints that it would not cover.
    """
    _lock(loading)
    wrong = Loading.recorded.select_related("spool", "toolhead__printer", "move", "opening").get(
        pk=loading.pk
    )
    if wrong.withdrawn_at is not None:
        raise refusal("withdrawn_already", f"This loading was {describe_withdrawal(wrong)} already.")
    spool = wrong.spool
    at = require_past_time(at, spool)
    if wrong.end is not None and at >= wrong.end:
        raise refusal(
            "after_unloading",
            f"It came off {wrong.site} on {format_time(wrong.end)}. Give an earlier time.",
            "at",
        )
    taken = Loading.objects.filter(
        toolhead=wrong.toolhead, slot=wrong.slot, start__lt=wrong.start, end__gt=at
    )
    other = taken.exclude(pk=wrong.pk).select_related("spool").first()
    if other is not None and other.end is not None:
        raise refusal(
            "toolhead_taken_then",
            f"Spool {pretty(other.spool.code)} was on it until {format_time(other.end)}. Give a later time.",
            "at",
        )
    right = Loading.objects.get(pk=wrong.pk)
    right.pk, right.start, right.recorded_by = None, at, by
    right._state.adding = True
    mark_withdrawn(wrong, by=by, reason=None)
    mark_withdrawn(wrong.move, by=by, reason=None)
    require_fits(spool, wrong.move.place, at, None, "at")
    right.move = Move.objects.create(spool=spool, place=wrong.move.place, at=at, recorded_by=by)
    if wrong.opening is not None and wrong.opening.withdrawn_at is None:
        _close_bag(wrong)
        right.opening = record_opening(spool, at=at, cause=wrong.opening.cause, by=by)
    right.save()
    _follow(right, min(at, wrong.start))
    return Loading.objects.get(pk=right.pk)
