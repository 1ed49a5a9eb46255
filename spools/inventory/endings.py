"""How a spool leaves the shop's use: used up, given away, thrown away or lost. It can be taken back."""

from datetime import datetime
from typing import Any

from django.db import transaction
from django.utils.translation import gettext as _

from background.queue import enqueue
from spools.checks import lock_spool, require_choice, require_in_use, require_past_time
from spools.codes import pretty
from spools.facts import follows_withdrawal
from spools.inventory.ledger import JUST_BEFORE
from spools.inventory.moves import current_stay, lock_dryer, require_after, require_not_in_run
from spools.inventory.prints import require_not_printing
from spools.inventory.receipts import require_nothing_rests_on
from spools.inventory.stays import follow_moves
from spools.models import Ending, Spool, Stay
from spools.refusals import refusal
from spools.wording import format_time


@transaction.atomic
def end_spool(
    spool: Spool,
    *,
    kind: str = Ending.Kind.EMPTY,
    at: datetime | None = None,
    note: str = "",
    by: Any = None,
) -> Spool:
    """Record the end of a spool: its stay ends, and no later fact can be recorded for it.

    kind: a value of Ending.Kind. Returns the spool as stored. Refused: a spool that has ended, one in a drying
    run, a time before its last fact, one that was used where it is said to be received by mistake.
    """
    spool = lock_spool(spool)
    require_in_use(spool)
    at = require_past_time(at, spool)
    require_choice("kind", kind, Ending.Kind.values)
    require_not_in_run(spool, at)
    require_not_printing(spool, at)
    if kind == Ending.Kind.MISTAKE:
        require_nothing_rests_on(spool)
    last = spool.mass_entries.valid().order_by("at").last()
    if last is not None and at < last.at:
        raise refusal(
            "later_fact",
            _("Something was recorded for this spool at {at}. Give a time after that.").format(
                at=format_time(last.at)
            ),
            "at",
        )
    stay = current_stay(spool)
    if stay is not None:
        require_after(stay, at)
    Ending.objects.create(spool=spool, kind=kind, at=at, note=note, recorded_by=by)
    _set_ended_at(spool, at)
    follow_moves(spool, at)
    return spool


def find_ending(spool: Spool) -> Ending | None:
    """The ending that counts; None while the spool is in use."""
    return spool.endings.valid().select_related("recorded_by").first()


def _prepare(ending: Ending) -> None:
    stay = _last_stay(ending)
    if stay is not None:
        lock_dryer(stay.place)
    lock_spool(ending.spool)


@follows_withdrawal(Ending, prepare=_prepare)
def take_back(ending: Ending) -> None:
    """The spool goes on from its facts, in the place where it was.

    Refused: where that is a dryer that was heated since.
    """
    spool = Spool.objects.get(pk=ending.spool_id)
    stay = _last_stay(ending)
    if stay is None:
        raise refusal(
            "no_place",
            _("Spool {spool} has no place to go back to. Receive it again.").format(spool=pretty(spool.code)),
        )
    _set_ended_at(spool, None)
    follow_moves(spool, ending.at - JUST_BEFORE, late=True)
    enqueue("spools.advance_moisture", {"spool_ids": [spool.pk]})


def _last_stay(ending: Ending) -> Stay | None:
    return Stay.objects.filter(spool=ending.spool_id, end=ending.at).select_related("place").first()


def _set_ended_at(spool: Spool, at: datetime | None) -> None:
    spool.ended_at = at
    spool.save(update_fields=["ended_at"])


def rebuild() -> list[str]:
    """Derive the ends of all spools again from their endings. Returns the changes; there should be none."""
    changes, ends = [], dict(Ending.objects.valid().values_list("spool", "at"))
    for spool in Spool.objects.order_by("pk"):
        if spool.ended_at != ends.get(spool.pk):
            _set_ended_at(spool, ends.get(spool.pk))
            changes.append(f"Spool {pretty(spool.code)}: another end of its use.")
    return changes
