"""The leftover of one spool is joined onto another of the same feedstock: its grams leave one and join the other."""

from datetime import datetime
from typing import Any

from django.db import transaction
from django.utils.translation import gettext as _

from background.queue import enqueue
from spools.checks import lock_spool, require_in_use, require_past_time
from spools.codes import pretty
from spools.facts import follows_withdrawal, mark_withdrawn
from spools.inventory.ledger import Kind, invalidate_entry, remaining, take
from spools.inventory.moves import require_not_in_run
from spools.inventory.receiving import require_winding_fits
from spools.models import Joining, MassEntry, Spool
from spools.refusals import refusal


@transaction.atomic
def join_spools(
    source: Spool,
    target: Spool,
    *,
    mass_g: float | None = None,
    at: datetime | None = None,
    note: str = "",
    by: Any = None,
) -> Joining:
    """Record that filament of ``source`` was joined onto the outer turns of ``target``.

    mass_g: None for all that is on it. The joined turns count as wet as the outermost ones of the target were.
    Refused: another feedstock, the same spool, one out of use or in a drying run, more than is there or than fits.
    """
    source, target = (lock_spool(spool) for spool in (source, target))
    if source.pk == target.pk:
        raise refusal("same_spool", _("A spool cannot be joined onto itself. Choose another one."), "source")
    if source.feedstock_id != target.feedstock_id:
        raise refusal(
            "other_feedstock",
            _(
                "Spool {source} is another feedstock. Joined, the one would print with the settings of the other."
            ).format(source=pretty(source.code)),
            "source",
        )
    at = require_past_time(require_past_time(at, source), target)
    for spool in (source, target):
        require_in_use(spool, at)
        require_not_in_run(spool, at)
    if mass_g is None:
        mass_g = remaining(source).mass_g
    require_winding_fits(target, remaining(target).high_g + mass_g)
    taken = take(source, mass_g, at=at, kind=Kind.MOVED, note=note, by=by)
    added = MassEntry(spool=target, kind=Kind.JOINED, at=at, net_change_g=mass_g, note=note, recorded_by=by)
    _invalidate(added)
    added.save()
    return Joining.objects.create(taken=taken, added=added, at=at, note=note, recorded_by=by)


def _invalidate(entry: MassEntry) -> None:
    invalidate_entry(entry)
    enqueue("spools.advance_moisture", {"spool_ids": [entry.spool_id]})


def _lock_spools(joining: Joining) -> None:
    for entry in (joining.taken, joining.added):
        lock_spool(entry.spool)


@follows_withdrawal(Joining, prepare=_lock_spools)
def part_again(joining: Joining) -> None:
    """The grams are on the spool from which they came."""
    for entry in (joining.taken, joining.added):
        _invalidate(entry)
        mark_withdrawn(entry, by=joining.withdrawn_by, reason=joining.withdrawn_reason)
