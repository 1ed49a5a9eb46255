"""Where a spool is: one place at a time, from one stay to the next."""

from datetime import datetime
from typing import Any

from django.db import transaction
from django.db.models import Q
from django.utils.translation import gettext as _

from spools.checks import lock_spool, lock_spool_facts, require_in_use, require_past_time
from spools.codes import pretty
from spools.facts import describe_withdrawal, follows_withdrawal, mark_withdrawn
from spools.inventory.ledger import JUST_BEFORE
from spools.inventory.prints import require_not_printing
from spools.inventory.stays import follow_moves, require_fits, require_unheated
from spools.models import DryingRun, Move, Place, Spool, Stay
from spools.refusals import refusal
from spools.wording import format_time


def current_stay(spool: Spool) -> Stay | None:
    """The stay that has not ended, with its place; None once the spool has ended."""
    return Stay.objects.filter(spool=spool, end=None).select_related("place").first()


def find_last_storage(spool: Spool) -> Place | None:
    """The place where a spool was stored last, or is: neither a printer nor a dryer, and in use. One query."""
    stays = Stay.objects.filter(spool=spool, place__in=Place.objects.in_use())
    stays = stays.exclude(place__kind__in=[Place.Kind.PRINTER, Place.Kind.DRYER])
    last = stays.select_related("place").last()
    return None if last is None else last.place


@transaction.atomic
def move_spool(
    spool: Spool,
    place: Place,
    *,
    at: datetime | None = None,
    from_place: Place | None = None,
    by: Any = None,
) -> Stay:
    """As record_move. Returns the present stay, which goes on where the spool is there already.

    from_place: where it was when somebody chose to move it. Refused: a spool that was moved meanwhile, and a place
    that require_target refuses.
    """
    require_target(place)
    spool = lock_spool(spool)
    stay = current_stay(spool)
    if from_place is not None and stay is not None and stay.place_id not in (from_place.pk, place.pk):
        text = _(
            "Spool {spool} was moved meanwhile: to {place} on {start}. Look where it is; send this again to move it "
            "on from there."
        )
        if stay.move.recorded_by:
            text = _(
                "Spool {spool} was moved meanwhile: to {place} on {start} by {account}. Look where it is; send this "
                "again to move it on from there."
            )
        raise refusal(
            "moved_meanwhile",
            text.format(
                spool=pretty(spool.code),
                place=stay.place,
                start=format_time(stay.start),
                account=stay.move.recorded_by,
            ),
        )
    record_move(spool, place, at=at, by=by)
    stay = current_stay(spool)
    assert stay is not None
    return stay


@transaction.atomic
def record_move(spool: Spool, place: Place, *, at: datetime | None = None, by: Any = None) -> Move:
    """Add the latest move of a spool, to ``place``: the present stay ends and one begins there.

    It is recorded also where the spool is there already: another move may be added or withdrawn before it.
    Refused: a time before the present stay began or a drying run ended, a spool that has ended or is in a
    drying run or a print that is not finished, a dryer that runs.
    """
    lock_dryer(place)
    spool = lock_spool(spool)
    require_in_use(spool)
    at = require_past_time(at, spool)
    require_not_in_run(spool, at)
    require_not_printing(spool, at)
    require_unheated(place, at)
    return place_spool(spool, place, at, by)


def place_spool(spool: Spool, place: Place, at: datetime, by: Any) -> Move:
    """Add a move to ``place``, the latest one, also to where the spool is. Refused: an earlier time than others.

    The caller holds the lock and has checked the runs.
    """
    stay = current_stay(spool)
    if stay is not None and (at < stay.start or stay.place_id != place.pk):
        require_after(stay, at)
    move = Move.objects.create(spool=spool, place=place, at=at, recorded_by=by)
    follow_moves(spool, at)
    return move


@transaction.atomic
def record_excursion(
    spool: Spool, place: Place, start: datetime, end: datetime | None = None, *, by: Any = None
) -> list[Stay]:
    """Records that the spool was in ``place`` from start to end, then back where it had been.

    end: None for a stay up to its next move. Returns the stay, and the one after it.
    Refused: times between which it moved, or that touch a drying run of the spool or of the dryer; a change
    that a print or another fact contradicts.
    """
    lock_dryer(place)
    spool = lock_spool(spool)
    require_in_use(spool)
    start = require_past_time(start, spool, "start")
    if end is not None:
        end = require_past_time(end, spool, "end")
        if end <= start:
            raise refusal(
                "end_before_start",
                _("{end} is not after {start}. Give a later end.").format(
                    end=format_time(end), start=format_time(start)
                ),
                "end",
            )
    following = spool.moves.valid().filter(at__gt=start).first()
    require_not_in_run(spool, start, end or (following.at if following else None))
    require_fits(spool, place, start, end, "start")
    lasting = Q(end=None) | Q(end__gt=start)
    stay = Stay.objects.filter(lasting, spool=spool, start__lt=start).select_related("place").first()
    if end is not None and stay is not None and stay.place_id == place.pk:
        raise refusal(
            "same_place",
            _("Spool {spool} was in {place} all that time. Choose another.").format(
                spool=pretty(spool.code), place=place
            ),
            "place",
        )
    Move.objects.create(spool=spool, place=place, at=start, until=end, recorded_by=by)
    follow_moves(spool, start, late=True)
    return list(Stay.objects.filter(spool=spool, start__gte=start).select_related("place")[:2])


def _lock_move(move: Move) -> None:
    lock_dryer(move.place)
    lock_spool(move.spool)


@follows_withdrawal(Move, prepare=_lock_move)
def stay_on(move: Move) -> None:
    """The spool stays where it was before. Refused: a move that belongs to its receipt or to a drying run."""
    spool = Spool.objects.get(pk=move.spool_id)
    _require_ownerless(move)
    follow_moves(spool, move.at - JUST_BEFORE, late=True)


def _require_ownerless(move: Move) -> None:
    """Refused: the moves of a drying run into its dryer and out of it, and that of the receipt where no other is at its time."""
    run = DryingRun.objects.filter(Q(move=move) | Q(move_out=move)).select_related("dryer").first()
    if run is not None:
        raise refusal(
            "move_of_run",
            _(
                "This move belongs to the drying run of {start} in {dryer}. Withdraw or correct that run instead."
            ).format(start=format_time(run.start), dryer=run.dryer),
        )
    spool = move.spool
    if not spool.moves.valid().filter(at=spool.received_at).exists():
        raise refusal(
            "move_of_receipt",
            _(
                "It was received in {place} then, and is nowhere without that. Correct the place alone."
            ).format(place=move.place),
            "at",
        )


@transaction.atomic
def correct_move(
    move: Move, *, place: Place, at: datetime, until: datetime | None = None, by: Any = None
) -> Move:
    """Withdraw a move, or a past stay with its end, and add the right one in its place. Returns that one.

    Refused: a move that was withdrawn, belongs to a drying run, or is no past stay and has an end; another time
    than that of its receipt; other moves that it contradicts, as for a past stay.
    """
    lock_dryer(place)
    _lock_move(move)
    move = Move.objects.select_related("spool").get(pk=move.pk)
    spool = move.spool
    if move.withdrawn_at is not None:
        raise refusal(
            "withdrawn_already",
            _("This move was {withdrawn} already.").format(withdrawn=describe_withdrawal(move)),
        )
    at = require_past_time(at, spool)
    if (until is None) != (move.until is None):
        raise refusal(
            "end_of_past_stay", _("Give an end for a past stay, and none for another move."), "until"
        )
    if until is not None and (until := require_past_time(until, spool, "until")) <= at:
        raise refusal(
            "end_before_start",
            _("{until} is not after {at}. Give a later end.").format(
                until=format_time(until), at=format_time(at)
            ),
            "until",
        )
    mark_withdrawn(move, by=by, reason=None)
    require_fits(spool, place, at, until, "at")
    right = Move.objects.create(spool=spool, place=place, at=at, until=until, recorded_by=by)
    _require_ownerless(move)
    follow_moves(spool, min(at, move.at) - JUST_BEFORE, late=True)
    return right


def require_not_in_run(spool: Spool, at: datetime, until: datetime | None = None) -> None:
    """Refused: a time from which on, or up to ``until``, the spool was or is in a drying run."""
    runs = DryingRun.objects.filter(Q(end=None) | Q(end__gt=at), spool=spool)
    if until is not None:
        runs = runs.filter(start__lt=until)
    run = runs.select_related("dryer").order_by("start").last()
    if run is None:
        return
    if run.end is None:
        raise refusal(
            "in_a_run",
            _(
                "Spool {spool} is in a drying run in {dryer} since {start}. Finish that run first; finishing "
                "asks where the spool goes."
            ).format(spool=pretty(spool.code), dryer=run.dryer, start=format_time(run.start)),
        )
    text = _(
        "Spool {spool} was drying in {dryer} from {start} until {end}. Give other times, or withdraw that run first."
    )
    if until is None:
        text = _("Spool {spool} was drying in {dryer} from {start} until {end}. Give a time after that.")
    raise refusal(
        "in_a_run_then",
        text.format(
            spool=pretty(spool.code),
            dryer=run.dryer,
            start=format_time(run.start),
            end=format_time(run.end),
        ),
        "at",
    )


def lock_dryer(place: Place) -> None:
    """Locks a dryer, before the spool that moves into it: the start of a drying run locks in the same order."""
    lock_spool_facts()
    if place.kind == Place.Kind.DRYER:
        Place.objects.select_for_update(no_key=True).get(pk=place.pk)


def require_target(place: Place, field: str = "place") -> None:
    """Refused: the place of a printer, where spools come by loading, and a place that is out of use."""
    if place.kind == Place.Kind.PRINTER:
        raise refusal(
            "place_of_printer",
            _(
                "{place} is a printer. Load the spool on a toolhead of it instead: that moves it there."
            ).format(place=place),
            field,
        )
    if place.retired_at is not None:
        raise refusal(
            "place_out_of_use",
            _("{place} is out of use since {retired_at}. Choose another place.").format(
                place=place, retired_at=format_time(place.retired_at)
            ),
            field,
        )


def require_after(stay: Stay, at: datetime) -> None:
    """Refused: a time that is not after the start of the present stay."""
    if at <= stay.start:
        raise refusal(
            "before_stay",
            _(
                "The spool came to {place} on {start}, and {at} is not after that. Give a later time, or add a "
                "past stay."
            ).format(place=stay.place, start=format_time(stay.start), at=format_time(at)),
            "at",
        )
