"""Withdrawal and correction of weighings and cuts that were entered by mistake."""

from typing import Any

from django.db import transaction
from django.utils.translation import gettext as _

from background.queue import enqueue
from spools.checks import lock_spool
from spools.facts import follows_withdrawal, withdraw
from spools.inventory.ledger import Kind, invalidate_entry, weigh
from spools.models import DryingRun, MassEntry
from spools.refusals import refusal


def _lock_spool(entry: MassEntry) -> None:
    """Refused: grams of a job or a flow check, and the mass at receipt."""
    lock_spool(entry.spool)
    if entry.kind not in (Kind.WEIGHED, Kind.REMOVED):
        raise refusal(
            "not_a_weighing",
            _(
                "Only a weighing or a cut can be withdrawn here. For printed grams withdraw the job or the flow "
                "check."
            ),
        )


@follows_withdrawal(MassEntry, prepare=_lock_spool)
def recompute_without(entry: MassEntry) -> None:
    """Amount and moisture are computed without the entry. Refused: the only mass that is known."""
    known_by = entry.spool.mass_entries.valid().filter(kind__in=[Kind.RECEIVED, Kind.WEIGHED])
    if not known_by.exists():
        raise refusal(
            "only_weighing",
            _("The amount on the spool rests on this weighing alone. Correct its number instead."),
        )
    invalidate_entry(entry)
    enqueue("spools.advance_moisture", {"spool_ids": [entry.spool_id]})


@transaction.atomic
def correct_weighing(
    entry: MassEntry, gross_g: float, *, resolution_g: float = 1.0, by: Any = None
) -> MassEntry:
    """Records the right number for a wrong weighing, for the same time and in the same drying run.

    The wrong one is withdrawn, unless it is already. Returns the right one.
    Refused: an entry that is no weighing, a time that has its right weighing, a number that cannot be.
    """
    spool = lock_spool(entry.spool)
    entry = MassEntry.objects.get(pk=entry.pk)
    if entry.kind != Kind.WEIGHED:
        raise refusal("not_a_weighing", _("Only a weighing can be corrected."))
    other_entries = spool.mass_entries.valid().exclude(pk=entry.pk)
    if entry.withdrawn_at is not None and other_entries.filter(kind=Kind.WEIGHED, at=entry.at).exists():
        raise refusal(
            "corrected_already", _("The right weighing of that time is recorded already. Correct that one.")
        )
    right = weigh(spool, gross_g, resolution_g=resolution_g, at=entry.at, by=by)
    if entry.withdrawn_at is None:
        withdraw(entry, by=by, reason=None)
    DryingRun.objects.filter(before=entry).update(before=right)
    DryingRun.objects.filter(after=entry).update(after=right)
    return right
