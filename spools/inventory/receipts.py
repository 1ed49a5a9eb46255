"""Corrections of what was entered as a spool came: its feedstock, its masses, or that it came at all."""

from typing import Any

from django.db import transaction
from django.db.models import Q
from django.utils.translation import gettext as _

from background.queue import enqueue
from spools import limits
from spools.checks import lock_spool, require_in_use, require_within
from spools.codes import pretty
from spools.facts import mark_withdrawn, require_reason, withdraw
from spools.invalidation import invalidate_after
from spools.inventory.corrections import correct_weighing
from spools.inventory.ledger import JUST_BEFORE, NOMINAL_NET_ERROR, Kind, weigh
from spools.inventory.receiving import require_winding_fits
from spools.models import (
    DryingRun,
    Ending,
    Ensemble,
    Feedstock,
    MassEntry,
    MoisturePoint,
    MoistureState,
    Move,
    Opening,
    Prior,
    Spool,
    SpoolBoard,
    SpoolCorrection,
    SpoolLesson,
    Stay,
)
from spools.models.facts import Withdrawable
from spools.refusals import refusal
from spools.wording import format_mass, format_time

FIELDS = ("feedstock", "net_mass_g", "gross_g")
# Rows that a receipt brings with it, or that are computed.
OF_RECEIPT = {Stay, Move, Ending, Opening, SpoolCorrection, MassEntry}
OF_RECEIPT |= {MoistureState, MoisturePoint, Ensemble, Prior, SpoolLesson, SpoolBoard}


def find_receipt(spool: Spool) -> dict[str, Any]:
    """What counts of its receipt: feedstock, net mass by the label and first weighing in g, or None for one."""
    net, gross = _net_entry(spool), _first_weighing(spool)
    return {
        "feedstock": spool.feedstock,
        "net_mass_g": net and net.net_change_g,
        "gross_g": gross and gross.gross_g,
    }


@transaction.atomic
def correct_receipt(spool: Spool, *, reason: str, by: Any = None, **values: Any) -> Spool:
    """Record what a spool really was as it came; wrong masses are withdrawn. All of it is computed again.

    values: some of FIELDS; None for a mass that was not stated. Returns the spool as stored. Refused: no reason,
    neither mass left, masses that cannot be, another feedstock while it dries.
    """
    reason = require_reason(reason)
    spool = lock_spool(spool)
    before = find_receipt(spool)
    after = before | values
    if after["net_mass_g"] is None and after["gross_g"] is None:
        raise refusal(
            "mass_missing", _("Give the net mass on the label, or the first weighing."), "net_mass_g"
        )
    if before == after:
        raise refusal("same_values", _("This is what is stored. Change what was wrong."))
    if after["feedstock"] != before["feedstock"]:
        _change_feedstock(spool, after["feedstock"])
    if after["net_mass_g"] != before["net_mass_g"]:
        _replace_net(spool, after["net_mass_g"], reason, by)
    if after["gross_g"] != before["gross_g"]:
        _replace_first_weighing(spool, after["gross_g"], reason, by)
    SpoolCorrection.objects.create(
        spool=spool, changes=list_changes(before, after), reason=reason, recorded_by=by
    )
    invalidate_after([spool.pk], spool.received_at - JUST_BEFORE)
    enqueue("spools.advance_moisture", {"spool_ids": [spool.pk]})
    return spool


def list_changes(before: dict[str, Any], after: dict[str, Any]) -> list[list[str]]:
    """[field, value before, value after] of those that differ, in words."""
    return [
        [name, *("" if side[name] is None else str(side[name]) for side in (before, after))]
        for name in before
        if before[name] != after[name]
    ]


def require_nothing_rests_on(spool: Spool) -> None:
    """Refused, with their names: facts that were recorded of a spool after its receipt."""
    found = []
    later = spool.mass_entries.valid().exclude(
        Q(kind=Kind.RECEIVED) | Q(kind=Kind.WEIGHED, at=spool.received_at)
    )
    if (count := later.count()) > 0:
        found.append(_count_words(count, MassEntry))
    for relation in Spool._meta.related_objects:
        model = relation.related_model
        if model in OF_RECEIPT:
            continue
        rows = model._default_manager.filter(**{relation.field.name: spool})
        if issubclass(model, Withdrawable):
            rows = rows.filter(withdrawn_at=None)
        if (count := rows.count()) > 0:
            found.append(_count_words(count, model))
    if found:
        raise refusal(
            "facts_rest_on_it",
            _("Spool {spool} was used: {found}. Withdraw these first, or choose how it left.").format(
                spool=pretty(spool.code), found=", ".join(found)
            ),
            "kind",
        )


def _count_words(count: int, model: Any) -> str:
    meta = model._meta
    return f"{count} {meta.verbose_name if count == 1 else meta.verbose_name_plural}"


def _net_entry(spool: Spool) -> MassEntry | None:
    return spool.mass_entries.valid().filter(kind=Kind.RECEIVED).first()


def _first_weighing(spool: Spool) -> MassEntry | None:
    return spool.mass_entries.valid().filter(kind=Kind.WEIGHED, at=spool.received_at).first()


def _change_feedstock(spool: Spool, feedstock: Feedstock) -> None:
    require_in_use(spool)
    if DryingRun.objects.filter(spool=spool, end=None).exists():
        raise refusal(
            "in_a_dryer",
            _("It is in a dryer, and the material decides how hot that may get. Take it out first."),
            "feedstock",
        )
    # The spools of the former feedstock that it taught.
    invalidate_after([spool.pk], spool.received_at - JUST_BEFORE)
    spool.feedstock = feedstock
    spool.save(update_fields=["feedstock"])


def _replace_net(spool: Spool, net_mass_g: float | None, reason: str, by: Any) -> None:
    """The caches are deleted by the caller."""
    entry = _net_entry(spool)
    if net_mass_g is not None:
        net_mass_g = require_within("net_mass_g", net_mass_g, *limits.NET_G)
        require_winding_fits(spool, net_mass_g)
        _require_covers_prints(spool, net_mass_g)
        MassEntry.objects.create(
            spool=spool, kind=Kind.RECEIVED, at=spool.received_at, net_change_g=net_mass_g, recorded_by=by
        )
    if entry is not None:
        mark_withdrawn(entry, by=by, reason=reason)


def _require_covers_prints(spool: Spool, net_mass_g: float) -> None:
    """Refused: less than was printed and cut off until the first weighing."""
    entries = spool.mass_entries.valid().exclude(kind=Kind.RECEIVED)
    first = entries.filter(kind=Kind.WEIGHED).first()
    taken = entries if first is None else entries.filter(at__lt=first.at)
    taken_g = -sum(entry.net_change_g or 0.0 for entry in taken)
    if taken_g > net_mass_g * (1 + NOMINAL_NET_ERROR):
        raise refusal(
            "below_printed",
            _(
                "{taken} were printed or cut off since {received_at}, more than {net_mass}. Look at the number."
            ).format(
                taken=format_mass(taken_g),
                received_at=format_time(spool.received_at),
                net_mass=format_mass(net_mass_g, -2),
            ),
            "net_mass_g",
        )


def _replace_first_weighing(spool: Spool, gross_g: float | None, reason: str, by: Any) -> None:
    entry = _first_weighing(spool)
    if entry is None and gross_g is not None:
        weigh(spool, gross_g, at=spool.received_at, by=by)
    elif entry is not None and gross_g is not None:
        correct_weighing(entry, gross_g, resolution_g=entry.resolution_g, by=by)
    elif entry is not None:
        withdraw(entry, reason=reason, by=by)
