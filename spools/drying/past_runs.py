"""Drying runs that are entered late, corrected or withdrawn. A run that happened is a fact, whatever the gate says."""

from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Q
from django.utils.translation import gettext as _

from spools import limits
from spools.checks import lock_spool, lock_spool_facts, require_in_use, require_past_time, require_within
from spools.codes import pretty
from spools.drying.caps import Cap, compute_cap
from spools.drying.gate import require_dryer
from spools.drying.runs import DryingSettings, invalidate_dryer
from spools.facts import follows_withdrawal, mark_withdrawn
from spools.inventory import ledger
from spools.inventory.ledger import JUST_BEFORE
from spools.inventory.moves import current_stay, require_not_in_run
from spools.inventory.stays import follow_moves, require_fits, require_unheated_stay
from spools.models import DryingRun, Move, Place, PlannedDrying, Spool, Stay
from spools.refusals import refusal
from spools.statements import Statement
from spools.wording import format_time

HOUR = timedelta(hours=1)


@transaction.atomic
def record_past_run(
    spool: Spool,
    dryer: Place,
    settings: DryingSettings,
    times: tuple[datetime, datetime],
    *,
    gross_g: tuple[float | None, float | None] = (None, None),
    resolution_g: float = 1.0,
    by: Any = None,
) -> DryingRun:
    """Record a drying run that is over; then the spool was back where it had been. Returns the run.

    times: start and end. gross_g: the masses before and after, where it was weighed. The cap is that of the
    spools that were in the dryer then; a run above it is recorded with it as its hold.
    Refused: times that other moves, runs or prints of the spool contradict; a dryer that ran at another set
    point then, or in which a spool stood without a run.
    """
    _lock(dryer)
    spool = lock_spool(spool)
    require_in_use(spool)
    require_dryer(dryer)
    start, end = _require_times(spool, *times)
    set_point_c = require_within("set_point_c", settings.set_point_c, *limits.SET_POINT_C)
    require_not_in_run(spool, start, end)
    require_fits(spool, dryer, start, end, "start")
    first = settings.first
    run = DryingRun(
        spool=spool,
        dryer=dryer,
        first_set_point_c=first.set_point_c if first else None,
        first_hours=first.hours if first else None,
        set_point_c=set_point_c,
        planned_hours=(end - start) / HOUR,
        target_pct=settings.target_of(spool),
        mass_g=settings.mass_of(spool),
        start=start,
        end=end,
        entered_late=True,
        recorded_by=by,
    )
    if first is not None and (first.set_point_c >= set_point_c or first.hours >= run.planned_hours):
        raise refusal(
            "first_stage_longer", _("A first stage is cooler and shorter than the whole run."), "first_hours"
        )
    beside = list(_runs_beside(run))
    cap = compute_cap(spool, dryer, inside=[other.spool for other in beside])
    run.cap_c, run.start_cap_c, run.cap_reason, run.hold = (
        cap.cap_c,
        cap.start_c,
        cap.reason,
        _above(cap, run),
    )
    for field, at, mass_g in (("before", start, gross_g[0]), ("after", end, gross_g[1])):
        if mass_g is not None:
            setattr(run, field, ledger.weigh(spool, mass_g, resolution_g=resolution_g, at=at, by=by))
    run.move = Move.objects.create(spool=spool, place=dryer, at=start, until=end, recorded_by=by)
    _store(run, start)
    return run


def _lock(dryer: Place) -> None:
    """The dryer first, as the start of a run does."""
    lock_spool_facts()
    Place.objects.select_for_update(no_key=True).get(pk=dryer.pk)


def _require_times(spool: Spool, start: datetime, end: datetime) -> tuple[datetime, datetime]:
    start, end = require_past_time(start, spool, "start"), require_past_time(end, spool, "end")
    if end <= start:
        raise refusal(
            "end_before_start",
            _("{end} is not after {start}. Give a later end.").format(
                end=format_time(end), start=format_time(start)
            ),
            "end",
        )
    return start, end


def _above(cap: Cap, run: DryingRun) -> Statement | None:
    """The limit that a run was hotter than; None where it was not."""
    if run.set_point_c > cap.cap_c:
        return cap.reason
    start_c = run.set_point_c if run.first_set_point_c is None else run.first_set_point_c
    return cap.start_reason if start_c > cap.start_c else None


def _runs_beside(run: DryingRun) -> Iterator[DryingRun]:
    """The runs of other spools in its dryer during it. Refused: one at another set point."""
    others = DryingRun.objects.filter(Q(end=None) | Q(end__gt=run.start), dryer=run.dryer)
    if run.end is not None:
        others = others.filter(start__lt=run.end)
    others = others.exclude(spool=run.spool).select_related(
        "spool__feedstock__polymer", "spool__feedstock__filler", "spool__feedstock__maker"
    )
    for other in others.order_by("start"):
        first = max(run.start, other.start)
        changes = (run.change_at, other.change_at)
        times = [
            first,
            *(at for at in changes if at and at > first and all(_covers(row, at) for row in (run, other))),
        ]
        if any(run.set_point_at(at) != other.set_point_at(at) for at in times):
            raise refusal(
                "other_set_point_then",
                _(
                    "{dryer} dried spool {code} at {temperatures} from {at}, and has one set point at a time. Give the "
                    "same, or other times."
                ).format(
                    dryer=run.dryer,
                    code=pretty(other.spool.code),
                    temperatures=other.temperatures,
                    at=format_time(other.start),
                ),
                "set_point_c",
            )
        yield other


def _covers(run: DryingRun, at: datetime) -> bool:
    return run.start <= at and (run.end is None or at < run.end)


def _store(run: DryingRun, since: datetime) -> None:
    """Store a run with its moves, and bring what follows up to date. Refused: what contradicts it."""
    run.save()
    follow_moves(run.spool, since, late=True)
    stays = Stay.objects.filter(Q(end=None) | Q(end__gt=run.start), place=run.dryer).exclude(spool=run.spool)
    if run.end is not None:
        stays = stays.filter(start__lt=run.end)
    for stay in stays.select_related("place", "spool"):
        try:
            require_unheated_stay(stay)
        except ValidationError:
            raise refusal(
                "spool_in_dryer_then",
                _(
                    "Spool {code} stood in {dryer} from {at} without a drying run and would have got as hot. Give other "
                    "times, or withdraw its move first."
                ).format(code=pretty(stay.spool.code), dryer=run.dryer, at=format_time(stay.start)),
                "start",
            ) from None
    invalidate_dryer(run.dryer, since)


def _lock_run(run: DryingRun) -> None:
    _lock(run.dryer)
    lock_spool(run.spool)


@follows_withdrawal(DryingRun, prepare=_lock_run)
def forget_run(run: DryingRun) -> None:
    """The spool stays where it was before, as if never dried. Its weighings count on; a planned drying is due again."""
    PlannedDrying.objects.filter(run=run).update(run=None)
    _withdraw_moves(run)
    spool, since = Spool.objects.get(pk=run.spool_id), run.start - JUST_BEFORE
    follow_moves(spool, since, late=True)
    invalidate_dryer(run.dryer, since)


def _withdraw_moves(run: DryingRun) -> None:
    for move in (run.move, run.move_out):
        if move is not None and move.withdrawn_at is None:
            mark_withdrawn(move, by=run.withdrawn_by, reason=run.withdrawn_reason)


@transaction.atomic
def correct_run(run: DryingRun, *, start: datetime, end: datetime | None = None, by: Any = None) -> DryingRun:
    """Withdraw a drying run and add it with the right times. Returns that one.

    end: None for a run that goes on, and needed for another. Refused: as for a past run.
    """
    _lock_run(run)
    wrong = DryingRun.recorded.select_related("spool", "dryer", "move", "move_out").get(pk=run.pk)
    if wrong.withdrawn_at is not None:
        raise refusal(
            "withdrawn_already",
            _("This run was withdrawn on {at} already.").format(at=format_time(wrong.withdrawn_at)),
        )
    if (end is None) != (wrong.end is None):
        raise refusal(
            "end_of_run", _("Give an end for a run that is over, and none for one that goes on."), "end"
        )
    start, end = (
        _require_times(wrong.spool, start, end)
        if end
        else (require_past_time(start, wrong.spool, "start"), None)
    )
    return _replace(wrong, start, end, by)


@transaction.atomic
def resume_run(run: DryingRun, *, by: Any = None) -> DryingRun:
    """The spool was not taken out: its run goes on. Returns the run that counts instead.

    Refused: a run that goes on, one whose spool has been moved, loaded or dried since, and a dryer that got another
    set point since.
    """
    _lock_run(run)
    wrong = DryingRun.objects.select_related("spool", "dryer", "move", "move_out").get(pk=run.pk)
    stay = current_stay(wrong.spool)
    if wrong.end is None or wrong.move_out is None or stay is None or stay.move_id != wrong.move_out_id:
        raise refusal(
            "moved_since",
            _("Spool {code} has been moved since. Correct its moves on its page.").format(
                code=pretty(wrong.spool.code)
            ),
        )
    return _replace(wrong, wrong.start, None, by)


def _replace(wrong: DryingRun, start: datetime, end: datetime | None, by: Any) -> DryingRun:
    """Withdraw a run, whose row is locked, and add it with other times. end: None for a run that goes on."""
    spool = wrong.spool
    right = DryingRun.objects.get(pk=wrong.pk)
    right.pk, right.start, right.end, right.recorded_by = None, start, end, by
    right._state.adding = True
    # A weighing belongs to one run.
    DryingRun.objects.filter(pk=wrong.pk).update(before=None, after=None)
    wrong.before = wrong.after = None
    mark_withdrawn(wrong, by=by, reason=None)
    _withdraw_moves(wrong)
    until = end if wrong.move and wrong.move.until else None
    require_not_in_run(spool, start, end)
    require_fits(spool, wrong.dryer, start, until, "start")
    right.move = Move.objects.create(spool=spool, place=wrong.dryer, at=start, until=until, recorded_by=by)
    right.move_out = None
    if end is None:
        right.after = None
    elif wrong.move_out is not None:
        out = wrong.move_out.place
        require_fits(spool, out, end, None, "end")
        right.move_out = Move.objects.create(spool=spool, place=out, at=end, recorded_by=by)
    list(_runs_beside(right))
    _store(right, min(start, wrong.start) - JUST_BEFORE)
    PlannedDrying.objects.filter(run=wrong).update(run=right)
    return right
