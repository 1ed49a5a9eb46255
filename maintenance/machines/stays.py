"""Loadings and prints follow the moves of their spools."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from django.db.models import Q
from django.utils.translation import gettext as _

from maintenance.changes import toolheads_changed
from maintenance.checks import is_loaded
from maintenance.models import FlowCheck, Job, JobUse, Loading, Reservation
from spools.codes import pretty
from spools.models import Move, Spool
from spools.refusals import refusal
from spools.wording import format_time


def follow_spool(spool: Spool, since: datetime, late: bool, **_: Any) -> None:
    """A receiver of moves_changed: a spool that leaves the place where it is loaded is off its toolhead.

    late: refused where a print was made later from the spool on a toolhead on which it was not.
    """
    loadings = list(
        Loading.objects.filter(Q(end=None) | Q(end__gte=since), spool=spool)
        .select_related("toolhead__printer", "move", "unloading")
        .order_by("start", "id")
    )
    if loadings:
        moves = list(spool.moves.valid().filter(until=None))
        for loading in loadings:
            _follow_loading(loading, moves, spool.ended_at)
    if late:
        _require_prints(spool, since)


def rebuild() -> list[str]:
    """Derive the ends of all loadings again. Returns the changes; there should be none."""
    changes = []
    loadings = Loading.objects.select_related("toolhead__printer", "spool", "move", "unloading")
    for loading in loadings.order_by("pk"):
        moves = list(loading.spool.moves.valid().filter(until=None))
        if _follow_loading(loading, moves, loading.spool.ended_at):
            changes.append(f"{loading.toolhead}: another end of the loading of {format_time(loading.start)}.")
    return changes


def _follow_loading(loading: Loading, moves: Sequence[Move], ended_at: datetime | None) -> bool:
    """Its end is that of its stay, its unloading or the next loading. Returns whether that is another one.

    Refused: its own move is withdrawn.
    """
    if loading.move.withdrawn_at is not None:
        raise refusal(
            "move_of_loading",
            _("It came there to be loaded on {site} on {time}. Withdraw that loading instead.").format(
                site=loading.site, time=format_time(loading.start)
            ),
        )
    place = loading.move.place_id
    ends = [move.at for move in moves if move.at > loading.start and move.place_id != place]
    if loading.move.until is not None:
        ends.append(loading.move.until)
    if ended_at is not None:
        ends.append(ended_at)
    if loading.unloading is not None and loading.unloading.withdrawn_at is None:
        ends.append(loading.unloading.at)
    later = Loading.objects.filter(
        Q(toolhead=loading.toolhead, slot=loading.slot) | Q(spool=loading.spool_id), start__gt=loading.start
    )
    ends += [other.start for other in later.order_by("start")[:1]]
    end = min(ends, default=None)
    if end == loading.end:
        return False
    loading.end = end
    loading.save(update_fields=["end"])
    toolheads_changed(Q(pk=loading.toolhead_id))
    return True


def _require_prints(spool: Spool, since: datetime) -> None:
    """Refused: a print or a flow check after a time, from the spool on a toolhead on which it was not."""
    prints = []
    jobs = Q(job__withdrawn_at=None, job__end__gte=since) & ~Q(job__stage=Job.Stage.PLANNED)
    for shares in (JobUse.objects, Reservation.objects):
        for share in shares.filter(jobs, spool=spool).select_related("job", "toolhead__printer"):
            prints.append(
                (share.toolhead, share.job.start, share.job.end, _("Job “{job}”").format(job=share.job))
            )
    for check in (
        FlowCheck.objects.valid().filter(spool=spool, at__gte=since).select_related("toolhead__printer")
    ):
        prints.append((check.toolhead, check.at, check.at, _("A flow check")))
    for toolhead, start, end, title in prints:
        # A job may have gone on with this spool after another one.
        if not is_loaded(toolhead, spool, start, end):
            raise refusal(
                "print_then",
                _(
                    "{title} of {time} was made from spool {code} on {toolhead}. Withdraw that first, or give other "
                    "times."
                ).format(title=title, time=format_time(start), code=pretty(spool.code), toolhead=toolhead),
            )
