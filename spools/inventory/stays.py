"""Stays follow from moves: derived again whenever moves of a spool are added or withdrawn.

A spool is where its latest move brought it, but for the past stays in between, from which it came back.
"""

from collections.abc import Iterable, Sequence
from datetime import datetime

from django.db.models import Q
from django.dispatch import Signal
from django.utils.translation import gettext as _

from spools.codes import pretty
from spools.invalidation import invalidate_advice, invalidate_after
from spools.models import DryingRun, Move, Place, Spool, Stay
from spools.refusals import refusal
from spools.wording import format_time

# Sent in the transaction once the stays of ``spool`` are those of its moves, which changed from ``since`` on.
# ``late``: whether other facts may be later. A receiver brings up to date what follows from moves, or refuses.
moves_changed = Signal()


def derive_stays(moves: Iterable[Move], ended_at: datetime | None = None) -> list[Stay]:
    """The stays that follow from the valid moves of a spool, not stored. ended_at: when the spool was used up."""
    moves = sorted(moves, key=lambda move: move.at)
    marks = [(move.at, move.place, move) for move in moves]
    begun = {move.at for move in moves}
    for move in moves:
        if move.until is not None and move.until not in begun:
            place = _place_between(moves, move.until)
            marks += [(move.until, place, move)] if place is not None else []
    stays: list[Stay] = []
    for at, place, move in sorted(marks, key=lambda mark: mark[0]):
        if ended_at is not None and at >= ended_at:
            break
        if stays and (stays[-1].place_id == place.pk or stays[-1].start == at):
            continue
        if stays:
            stays[-1].end = at
        stays.append(Stay(spool_id=move.spool_id, place=place, start=at, move=move))
    if stays:
        stays[-1].end = ended_at
    return stays


def _place_between(moves: Sequence[Move], at: datetime) -> Place | None:
    """Where a spool is at a time but for past stays."""
    return next((move.place for move in reversed(moves) if move.until is None and move.at <= at), None)


def rebuild_stays(spool: Spool) -> list[Stay]:
    """Store the stays that follow from the moves of a spool. Returns those that went, came or end otherwise."""
    wanted = derive_stays(spool.moves.valid().select_related("place"), spool.ended_at)
    by_start = {stay.start: stay for stay in wanted}
    gone, changed = [], []
    for stay in Stay.objects.filter(spool=spool).select_related("place"):
        new = by_start.get(stay.start)
        if new is None or new.place_id != stay.place_id:
            gone.append(stay)
            continue
        del by_start[stay.start]
        if (stay.end, stay.move_id) != (new.end, new.move_id):
            stay.end, stay.move = new.end, new.move
            changed.append(stay)
    Stay.objects.filter(pk__in=[stay.pk for stay in gone]).delete()
    # One stay has no end at any time.
    for stay in sorted(changed, key=lambda stay: stay.end is None):
        stay.save(update_fields=["end", "move"])
    Stay.objects.bulk_create(by_start.values())
    return [*gone, *changed, *by_start.values()]


def rebuild() -> list[str]:
    """Derive the stays of all spools again. Returns the changes; there should be none."""
    changes = []
    for spool in Spool.objects.order_by("pk"):
        if changed := rebuild_stays(spool):
            changes.append(f"Spool {pretty(spool.code)}: {len(changed)} stays changed.")
            invalidate_after([spool.pk], spool.received_at)
    return changes


def follow_moves(spool: Spool, since: datetime, *, late: bool = False) -> None:
    """Bring what follows from the moves of a spool up to date, after a change from a time on.

    late: other facts may be later: they must still fit. Refused: facts that do not, which are named.
    """
    if late:
        # The places in which it no longer was.
        invalidate_after([spool.pk], since)
    changed = rebuild_stays(spool)
    if late:
        _require_runs_fit(spool, since)
        lasting = Q(end=None) | Q(end__gte=since)
        heated = Stay.objects.filter(lasting, spool=spool, place__kind=Place.Kind.DRYER)
        for stay in heated.select_related("place"):
            require_unheated_stay(stay)
    moves_changed.send(sender=None, spool=spool, since=since, late=late)
    if any(stay.place.kind == Place.Kind.DRYER for stay in changed):
        invalidate_advice()
    # After the stays are there: they change the air of the other spools in a dry box.
    invalidate_after([spool.pk], since)


def require_fits(spool: Spool, place: Place, start: datetime, end: datetime | None, field: str) -> None:
    """Refused, on ``field``: a move, or a past stay up to ``end``, that another move of the spool contradicts."""
    for move in spool.moves.valid().select_related("place"):
        at_once = move.at == start and (
            move.place_id != place.pk or end is not None or move.until is not None
        )
        within = end is not None and start < move.at < end
        around = move.until is not None and move.at < start < move.until
        if at_once or within or around:
            text = _("Spool {spool} came to {place} on {at}. Give other times, or withdraw that first.")
            if move.until:
                text = _(
                    "Spool {spool} was in {place} from {at} until {until}. Give other times, or withdraw that first."
                )
            raise refusal(
                "overlaps_move",
                text.format(
                    spool=pretty(spool.code),
                    place=move.place,
                    at=format_time(move.at),
                    until=move.until and format_time(move.until),
                ),
                field,
            )


def _require_runs_fit(spool: Spool, since: datetime) -> None:
    """Refused: moves by which the spool was not in its dryer during all of a drying run."""
    runs = DryingRun.objects.filter(Q(end=None) | Q(end__gt=since), spool=spool, move__isnull=False)
    stays = list(Stay.objects.filter(spool=spool))
    for run in runs.select_related("dryer"):
        if not any(
            stay.place_id == run.dryer_id
            and stay.start <= run.start
            and (stay.end is None or (run.end is not None and run.end <= stay.end))
            for stay in stays
        ):
            text = _(
                "Spool {spool} dries in {dryer} since {start}. Give other times, or withdraw that run first."
            )
            if run.end:
                text = _(
                    "Spool {spool} was drying in {dryer} from {start} until {end}. Give other times, or withdraw that run "
                    "first."
                )
            raise refusal(
                "in_a_run_then",
                text.format(
                    spool=pretty(spool.code),
                    dryer=run.dryer,
                    start=format_time(run.start),
                    end=run.end and format_time(run.end),
                ),
                "at",
            )


def require_unheated(place: Place, start: datetime, end: datetime | None = None) -> None:
    """Refused: a stay in a dryer that runs then; only a drying run has its set point checked against caps.

    end: the end of the stay; None while it is not known. A spool with a run of its own enters the dryer
    through spools.drying.runs.start_drying.
    """
    runs = DryingRun.objects.filter(Q(end=None) | Q(end__gt=start), dryer=place).select_related("spool")
    if end is not None:
        runs = runs.filter(start__lt=end)
    run = runs.order_by("start").first()
    if run is None:
        return
    text = _(
        "{place} dries spool {spool} at {temperatures} since {start}, and a spool in it gets as hot. Choose another "
        "place, or dry this spool in {place} too: that checks how hot it may get."
    )
    if run.end is not None:
        text = _(
            "{place} dried spool {spool} at {temperatures} from {start} to {end}, and a spool in it got as hot. Choose "
            "another place or another time."
        )
    values = {
        "place": place,
        "spool": pretty(run.spool.code),
        "temperatures": run.temperatures,
        "start": format_time(run.start),
        "end": run.end and format_time(run.end),
    }
    raise refusal("dryer_in_use", text.format(**values), "place")


def require_unheated_stay(stay: Stay) -> None:
    """Refused: a stay in a dryer beside the runs of others, but for the time of runs of its own."""
    start: datetime | None = stay.start
    for run in DryingRun.objects.filter(spool=stay.spool_id, dryer=stay.place).order_by("start"):
        if start is None or (stay.end is not None and run.start >= stay.end):
            break
        if run.end is not None and run.end <= start:
            continue
        if start < run.start:
            require_unheated(stay.place, start, run.start)
        start = run.end
    if start is not None and (stay.end is None or start < stay.end):
        require_unheated(stay.place, start, stay.end)
