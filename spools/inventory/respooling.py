"""A spool is wound onto another reel: weighings from then on have the new reel in them, older ones the old.

Winding turns it inside out: the turns that were printed first lie at the core now. The moisture of before is computed
with the shape of the present reel, and the air of the room in which somebody winds it for some minutes is left out.
"""

from datetime import datetime
from typing import Any

from django.db import transaction
from django.db.models import Q
from django.utils.translation import gettext as _

from background.queue import enqueue
from spools import limits
from spools.checks import lock_spool, require_in_use, require_past_time, require_within
from spools.codes import pretty
from spools.facts import follows_withdrawal
from spools.invalidation import invalidate_after
from spools.inventory.assumptions import REEL
from spools.inventory.ledger import JUST_BEFORE, Kind, core_band_g, remaining
from spools.inventory.moves import require_not_in_run
from spools.inventory.openings import find_opened, record_opening
from spools.inventory.receiving import require_winding_fits
from spools.models import MassEntry, Respooling, Spool
from spools.refusals import refusal
from spools.statements import Statement
from spools.wording import format_mass, format_time

NEW_REEL = [name for name in REEL if name != "batch"]


@transaction.atomic
def respool(
    spool: Spool, *, at: datetime | None = None, note: str = "", by: Any = None, **reel: Any
) -> Respooling:
    """Record that all of a spool was wound onto another reel.

    reel: the fields of NEW_REEL; those that are left out are as of a reel of unknown material with no stated limit.
    Refused: a spool out of use or in a drying run then, a time before the last winding, a reel that cannot be.
    """
    spool = lock_spool(spool)
    at = require_past_time(at, spool)
    require_in_use(spool)
    require_not_in_run(spool, at)
    last = spool.respoolings.valid().last()
    if at <= spool.received_at or (last is not None and at <= last.at):
        since = spool.received_at if last is None else last.at
        raise refusal(
            "before_winding",
            _("It is on its reel since {since}. Give a later time.").format(since=format_time(since)),
            "at",
        )
    before = {name: getattr(spool, name) for name in NEW_REEL}
    band_g, wound_g = core_band_g(spool), remaining(spool).high_g
    _open_bag(spool, at, by)
    _set_reel(spool, {**_UNKNOWN, **reel})
    _require_lighter(spool, at)
    require_winding_fits(spool, wound_g)
    weighings = spool.mass_entries.filter(kind=Kind.WEIGHED, at__lt=at, core_mass_g=None)
    weighings.update(core_mass_g=before["core_mass_g"], core_band_g=band_g)
    fact = Respooling.objects.create(spool=spool, at=at, before=before, note=note, recorded_by=by)
    _follow(spool)
    return fact


_UNKNOWN = {
    "core_mass_known": False,
    "core_mass_band_g": 0.0,
    "core_material": Spool.CoreMaterial.UNKNOWN,
    "core_cap_c": None,
}


def _set_reel(spool: Spool, reel: dict[str, Any]) -> None:
    for name in NEW_REEL:
        setattr(spool, name, reel[name])
    spool.clean_fields()
    spool.core_mass_g = require_within("core_mass_g", spool.core_mass_g, *limits.CORE_G)
    spool.core_mass_band_g = require_within("core_mass_band_g", spool.core_mass_band_g, *limits.CORE_ERROR_G)
    if spool.core_cap_c is not None:
        require_within("core_cap_c", spool.core_cap_c, *limits.CORE_CAP_C)
    spool.save(update_fields=NEW_REEL)


def _require_lighter(spool: Spool, at: datetime) -> None:
    """Refused: a reel heavier than the spool weighed with it since."""
    for entry in spool.mass_entries.valid().filter(kind=Kind.WEIGHED, at__gte=at):
        if (entry.gross_g or 0.0) < spool.core_mass_g - core_band_g(spool) - entry.resolution_g:
            raise refusal(
                "reel_too_heavy",
                _("It weighed {gross} with its reel on {at}: the reel cannot weigh more.").format(
                    gross=format_mass(entry.gross_g or 0.0, -2), at=format_time(entry.at)
                ),
                "core_mass_g",
            )


def _open_bag(spool: Spool, at: datetime, by: Any) -> None:
    opened = find_opened(spool)
    if opened is None or opened.at > at:
        record_opening(spool, at=at, cause=Statement("cause.respooled"), by=by)


def _follow(spool: Spool) -> None:
    _set_respooled_at(spool)
    invalidate_after([spool.pk], spool.received_at - JUST_BEFORE)
    enqueue("spools.advance_moisture", {"spool_ids": [spool.pk]})


def _set_respooled_at(spool: Spool) -> bool:
    """Derives the times from the valid respoolings. Returns whether they changed."""
    before = spool.respooled_at
    spool.respooled_at = [at.isoformat() for at in spool.respoolings.valid().values_list("at", flat=True)]
    spool.save(update_fields=["respooled_at"])
    return spool.respooled_at != before


def rebuild() -> list[str]:
    """Derive the times at which spools were wound again. Returns the changes; there should be none."""
    spools = (
        Spool.objects.filter(~Q(respooled_at=[]) | Q(respoolings__isnull=False)).order_by("pk").distinct()
    )
    return [
        f"Spool {pretty(spool.code)}: other times of winding." for spool in spools if _set_respooled_at(spool)
    ]


def _lock_spool(fact: Respooling) -> None:
    lock_spool(fact.spool)


@follows_withdrawal(Respooling, prepare=_lock_spool)
def wind_back(fact: Respooling) -> None:
    """The spool is on the reel of before. Refused: one that was wound onto yet another reel, or that is drying."""
    spool = Spool.objects.get(pk=fact.spool_id)
    kept = spool.respoolings.valid()
    if kept.filter(at__gt=fact.at).exists():
        raise refusal(
            "wound_again",
            _("Spool {spool} was wound onto another reel later. Withdraw that first.").format(
                spool=pretty(spool.code)
            ),
        )
    require_not_in_run(spool, fact.at)
    _set_reel(spool, fact.before)
    former = kept.last()
    weighings = MassEntry.objects.filter(spool=spool, kind=Kind.WEIGHED, at__lt=fact.at)
    if former is not None:
        weighings = weighings.filter(at__gte=former.at)
    weighings.update(core_mass_g=None, core_band_g=None)
    _require_lighter(spool, fact.at)
    _follow(spool)
