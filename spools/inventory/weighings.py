"""Taking back a weighing that was a slip, and giving the right one in its place."""

from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import timezone

from background.queue import enqueue
from spools.checks import lock_spool
from spools.inventory.ledger import JUST_BEFORE, Kind, invalidate_from, weigh
from spools.models import DryingRun, MassEntry, Spool
from spools.wording import format_time


@transaction.atomic
def take_back_weighing(
    entry: MassEntry, *, right_g: float | None = None, resolution_g: float = 1.0, by: Any = None
) -> MassEntry | None:
    """A weighing was a slip: it stays, struck out, and counts no more. Returns the right one, if given.

    right_g: what the scale should have said; kept for the same time, and in the same drying run. It may also
    be given later, for a weighing that was taken back already.
    Refused: what is no weighing, twice, the only word on what is on the spool where no right one is given.
    """
    spool = lock_spool(entry.spool)
    entry = MassEntry.objects.get(pk=entry.pk)
    if entry.kind != Kind.WEIGHED:
        raise ValidationError("Only a weighing can be taken back here. Withdraw the job or the flow check.")
    others = spool.mass_entries.standing().exclude(pk=entry.pk)
    if entry.withdrawn_at is None:
        if right_g is None and not others.filter(kind__in=[Kind.RECEIVED, Kind.WEIGHED]).exists():
            raise ValidationError(
                "This weighing alone tells how much is on the spool. Give the right number with it."
            )
        # A checkpoint at its very time was kept because of it.
        invalidate_from(spool, entry.at - JUST_BEFORE)
        entry.withdrawn_at, entry.withdrawn_by = timezone.now(), by
        entry.save(update_fields=["withdrawn_at", "withdrawn_by"])
        enqueue("spools.advance", {"spool_ids": [spool.pk]})
    elif right_g is None:
        raise ValidationError(f"This weighing was taken back on {format_time(entry.withdrawn_at)} already.")
    elif others.filter(kind=Kind.WEIGHED, at=entry.at).exists():
        raise ValidationError("The right weighing of that time is recorded already. Take that one back.")
    return None if right_g is None else _instead(spool, entry, right_g, resolution_g, by)


def _instead(spool: Spool, entry: MassEntry, right_g: float, resolution_g: float, by: Any) -> MassEntry:
    right = weigh(spool, right_g, resolution_g=resolution_g, at=entry.at, by=by)
    DryingRun.objects.filter(before=entry).update(before=right)
    DryingRun.objects.filter(after=entry).update(after=right)
    return right
