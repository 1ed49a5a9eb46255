"""Loadings that are added afterwards, corrected or withdrawn: then the spool is where it was before."""

from datetime import datetime
from typing import Any

from django.db import transaction
from django.db.models import Q
from django.utils.translation import gettext as _

from maintenance.changes import toolheads_changed
from maintenance.machines.loading import lock_toolhead, open_bag, require_feeding, require_slot
from maintenance.machines.stays import follow_spool
from maintenance.models import Loading, Toolhead
from maintenance.readiness.builder import verdict
from maintenance.readiness.verdict import encode_checks
from spools.checks import lock_spool, lock_spool_facts, require_in_use, require_past_time
from spools.codes import pretty
from spools.facts import describe_withdrawal, follows_withdrawal, mark_withdrawn, withdraw
from spools.inventory.ledger import JUST_BEFORE
from spools.inventory.moves import require_not_in_run
from spools.inventory.openings import record_opening
from spools.inventory.stays import follow_moves, require_fits
from spools.models import Move, Opening, Place, Spool
from spools.refusals import refusal
from spools.statements import Statement
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
def record_past_loading(
    toolhead: Toolhead,
    spool: Spool,
    start: datetime,
    end: datetime,
    *,
    slot: int | None = None,
    fed_from: Place | None = None,
    by: Any = None,
) -> Loading:
    """Add a loading from start to end; then the spool went back where it had been, as after a past stay.

    Its verdict is computed as of the start; a hold asks for no reason, since it happened. slot, fed_from: as for load_spool.
    Refused: times at which the toolhead, or the spool, was loaded otherwise, and all that a past stay is refused for.
    """
    toolhead = lock_toolhead(toolhead)
    spool = lock_spool(spool)
    require_in_use(spool)
    start, end = require_past_time(start, spool, "start"), require_past_time(end, spool, "end")
    if end <= start:
        raise refusal(
            "end_before_start",
            _("{end} is not after {start}. Give a later end.").format(
                end=format_time(end), start=format_time(start)
            ),
            "end",
        )
    require_feeding(fed_from)
    slot = _choose_slot(toolhead, spool, slot, start, end)
    place = fed_from or toolhead.printer.place
    require_not_in_run(spool, start, end)
    require_fits(spool, place, start, end, "start")
    judged = verdict(toolhead, spool, None, at=start, fed_from=fed_from)
    loading = Loading.objects.create(
        toolhead=toolhead,
        slot=slot,
        spool=spool,
        start=start,
        end=end,
        state=judged.state,
        reasons=encode_checks(judged.checks),
        cause=Statement("cause.added_afterwards"),
        fed_from=fed_from,
        move=Move.objects.create(spool=spool, place=place, at=start, until=end, recorded_by=by),
        opening=None if fed_from is None else open_bag(spool, toolhead, start, by),
        recorded_by=by,
    )
    _follow(loading, start)
    return Loading.objects.get(pk=loading.pk)


def _choose_slot(toolhead: Toolhead, spool: Spool, slot: int | None, start: datetime, end: datetime) -> int:
    """The slot that was given, else the first that was free then. Refused: another loading then; it is named."""
    then = Loading.objects.filter(Q(end=None) | Q(end__gt=start), start__lt=end)
    then = then.select_related("spool", "toolhead__printer")
    taken = {row.slot: row for row in then.filter(toolhead=toolhead).order_by("-start")}
    slots = [require_slot(toolhead, slot)] if slot is not None else list(range(1, toolhead.slots + 1))
    free = next((number for number in slots if number not in taken), None)
    other = then.filter(spool=spool).first() or (taken[slots[0]] if free is None else None)
    if other is None:
        assert free is not None
        return free
    occupied = _(
        "Spool {code} is on {site} since {start}. Give other times, or first add a past stay of that spool in another "
        "place."
    )
    if other.end is not None:
        occupied = _(
            "Spool {code} was on {site} from {start} until {until}. Give other times, or first add a past stay of that "
            "spool in another place."
        )
    until = "" if other.end is None else format_time(other.end)
    raise refusal(
        "loaded_elsewhere" if other.spool_id == spool.pk else "toolhead_taken_then",
        occupied.format(
            code=pretty(other.spool.code), site=other.site, start=format_time(other.start), until=until
        ),
        "start",
    )


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
        raise refusal(
            "withdrawn_already",
            _("This loading was {withdrawn} already.").format(withdrawn=describe_withdrawal(wrong)),
        )
    spool = wrong.spool
    at = require_past_time(at, spool)
    if wrong.end is not None and at >= wrong.end:
        raise refusal(
            "after_unloading",
            _("It came off {site} on {time}. Give an earlier time.").format(
                site=wrong.site, time=format_time(wrong.end)
            ),
            "at",
        )
    taken = Loading.objects.filter(
        toolhead=wrong.toolhead, slot=wrong.slot, start__lt=wrong.start, end__gt=at
    )
    other = taken.exclude(pk=wrong.pk).select_related("spool").first()
    if other is not None and other.end is not None:
        raise refusal(
            "toolhead_taken_then",
            _("Spool {code} was on it until {time}. Give a later time.").format(
                code=pretty(other.spool.code), time=format_time(other.end)
            ),
            "at",
        )
    right = Loading.objects.get(pk=wrong.pk)
    right.pk, right.start, right.recorded_by = None, at, by
    right._state.adding = True
    mark_withdrawn(wrong, by=by, reason=None)
    mark_withdrawn(wrong.move, by=by, reason=None)
    require_fits(spool, wrong.move.place, at, wrong.move.until, "at")
    right.move = Move.objects.create(
        spool=spool, place=wrong.move.place, at=at, until=wrong.move.until, recorded_by=by
    )
    if wrong.opening is not None and wrong.opening.withdrawn_at is None:
        _close_bag(wrong)
        right.opening = record_opening(spool, at=at, cause=wrong.opening.cause, by=by)
    right.save()
    _follow(right, min(at, wrong.start))
    return Loading.objects.get(pk=right.pk)
