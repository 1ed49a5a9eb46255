"""Kinds of parts, and how many of each are in the drawer."""

from datetime import datetime
from typing import Any

from django.db import transaction
from django.utils.translation import gettext as _

from maintenance.changes import FLOW, PARTS, STOCK, facts_changed, toolheads_changed
from maintenance.models import JobUse, PartKind, StockEntry
from maintenance.models.parts import IN_NO_MACHINE
from maintenance.parts.wear_entries import in_stock, recount_wear
from spools.checks import require_past_time
from spools.edits.versions import count_edit
from spools.refusals import refusal
from spools.wording import format_exact

MOST_AT_ONCE = 10_000


@transaction.atomic
def save_kind(kind: PartKind) -> PartKind:
    """Saves a new or corrected kind of part; the wear of its parts is counted again.

    Raises ValidationError on numbers that cannot be; refused: another role than its parts have.
    """
    count_edit(kind)
    kind.full_clean()
    if kind.pk is not None and kind.role not in IN_NO_MACHINE and kind.services.exists():
        raise refusal("role_in_use", _("Services use it. Change them first."), "role")
    if kind.pk is not None and kind.parts.exclude(fittings__role=kind.role).exists():
        raise refusal(
            "role_in_use", _("Its parts were fitted in another role. Add a new kind instead."), "role"
        )
    kind.save()
    recount_wear(JobUse.objects.filter(wear__part__kind=kind))
    toolheads_changed()
    sweep_parts()
    return kind


@transaction.atomic
def add_stock(
    kind: PartKind, count: float, *, at: datetime | None = None, note: str = "", by: Any = None
) -> StockEntry:
    """Parts or a consumable came into stock; a negative count takes out what was counted too many.

    count: pieces, g or ml, as the kind is counted. Refused: 0, more than are there, an absurd number, half a part.
    """
    at = require_past_time(at)
    kind = lock_kind(kind)
    if not 0 < abs(count) <= MOST_AT_ONCE or (not kind.stock_unit and count != int(count)):
        unit = kind.stock_unit or _("pieces, a whole number")
        raise refusal(
            "part_count",
            _("Give at most {most} {unit}, but not 0; got {count}.").format(
                most=MOST_AT_ONCE, unit=unit, count=format_exact(count)
            ),
            "count",
        )
    in_drawer = in_stock([kind]).get(kind.pk, 0)
    if in_drawer + count < 0:
        raise refusal(
            "not_in_stock",
            _("Only {count} of {kind} are in stock. Take out no more.").format(
                count=format_exact(in_drawer), kind=kind
            ),
            "count",
        )
    entry = StockEntry.objects.create(kind=kind, at=at, change=count, note=note, recorded_by=by)
    facts_changed(STOCK)
    return entry


def lock_kind(kind: PartKind) -> PartKind:
    """Its row locked until the transaction ends."""
    return PartKind.objects.select_for_update(no_key=True).get(pk=kind.pk)


def sweep_parts() -> None:
    """Reminders about parts and stock follow at once, not with the next sweep."""
    facts_changed(PARTS, FLOW, STOCK)
