"""When the bag was opened in which a spool came: stated by a person, or by the first use that needs an open bag.

A sealed spool stays unopened wherever it lies. A stay in a printer, a drying run and filament that was printed
or cut off open it at that time. A weighing does not: people weigh sealed spools in their bags.
"""

from collections.abc import Mapping
from datetime import datetime
from typing import Any, NamedTuple

from django.db import transaction
from django.db.models import OuterRef, Q, QuerySet, Subquery
from django.db.models.expressions import Exists
from django.utils.translation import gettext as _

from background.prepared import Ids, PreparedRows
from background.queue import enqueue
from spools.checks import lock_spool, require_choice, require_in_use, require_past_time
from spools.codes import pretty
from spools.facts import follows_withdrawal
from spools.invalidation import invalidate_after
from spools.inventory.ledger import JUST_BEFORE
from spools.models import DryingRun, MassEntry, Opening, Place, Spool, Stay
from spools.refusals import refusal
from spools.statements import Statement
from spools.wording import format_time

Card = Spool.Card
USED = [
    MassEntry.Kind.PRINTED,
    MassEntry.Kind.REMOVED,
    MassEntry.Kind.MOVED,
    MassEntry.Kind.JOINED,
]


class Opened(NamedTuple):
    """When a bag was opened, and by which fact: "received", "stated", "loaded", "dried" or "taken"."""

    at: datetime
    by: str


def _facts(spool: OuterRef) -> dict[str, QuerySet[Any]]:
    """The facts that open the bag of a spool, each by its own time."""
    return {
        "stated": Opening.objects.valid().filter(spool=spool).order_by("at").values("at"),
        "loaded": Stay.objects.filter(spool=spool, place__kind=Place.Kind.PRINTER)
        .order_by("start")
        .values("start"),
        "dried": DryingRun.objects.filter(spool=spool).order_by("start").values("start"),
        "taken": MassEntry.objects.valid().filter(spool=spool, kind__in=USED).order_by("at").values("at"),
    }


_KINDS = tuple(_facts(OuterRef("pk")))


def _select_opened() -> QuerySet[Spool]:
    first = {f"first_{by}": Subquery(facts[:1]) for by, facts in _facts(OuterRef("pk")).items()}
    return Spool.objects.filter(pk__in=Ids("ids")).order_by().annotate(**first)


_OPENED = PreparedRows(_select_opened)


def is_opened(spool: str = "pk") -> Q:
    """The condition that a spool came open or its bag was opened; ``spool``: the column with its id."""
    path = "" if spool == "pk" else f"{spool}__"
    condition = Q(**{f"{path}sealed": False})
    for facts in _facts(OuterRef(spool)).values():
        condition |= Q(Exists(facts))
    return condition


def load_opened(spools: Mapping[int, Spool]) -> dict[int, Opened | None]:
    """When the bag of each spool was opened, by spool id; None while it is sealed. One query."""
    opened: dict[int, Opened | None] = {
        pk: None if spool.sealed else Opened(spool.received_at, "received") for pk, spool in spools.items()
    }
    sealed = [pk for pk, spool in spools.items() if spool.sealed]
    if not sealed:
        return opened
    for row in _OPENED.run(ids=sealed):
        times = [(by, getattr(row, f"first_{by}")) for by in _KINDS]
        by_fact = [Opened(at, by) for by, at in times if at is not None]
        # The first one of equal times: that of a person.
        opened[row.pk] = min(by_fact, key=lambda fact: fact.at, default=None)
    return opened


def find_opened(spool: Spool) -> Opened | None:
    """When the bag of one spool was opened; None while it is sealed."""
    return load_opened({spool.pk: spool})[spool.pk]


@transaction.atomic
def record_opening(
    spool: Spool,
    *,
    at: datetime | None = None,
    card: str = Card.NOT_LOOKED,
    note: str = "",
    cause: Statement | None = None,
    by: Any = None,
) -> Opening:
    """Record that the bag was opened, with the humidity card as seen then.

    card: counts for the moisture on arrival, unless nobody looked. cause: the act that opened it.
    Refused: a spool that came open, that is empty, or whose bag was open at that time.
    """
    spool = lock_spool(spool)
    require_in_use(spool)
    at = require_past_time(at, spool)
    require_choice("card", card, Card.values)
    if not spool.sealed:
        raise refusal(
            "came_open", _("Spool {spool} came without an unbroken bag.").format(spool=pretty(spool.code))
        )
    opened = find_opened(spool)
    if opened is not None and opened.at <= at:
        raise refusal(
            "opened_already",
            _("Its bag counts as opened since {at}. Give an earlier time, or withdraw that first.").format(
                at=format_time(opened.at)
            ),
            "at",
        )
    opening = Opening.objects.create(
        spool=spool, at=at, card=card, card_before=spool.card, note=note, cause=cause, recorded_by=by
    )
    _set_card(spool, card if card != Card.NOT_LOOKED else spool.card)
    invalidate_after([spool.pk], at)
    return opening


def _lock_spool(opening: Opening) -> None:
    lock_spool(opening.spool)


@follows_withdrawal(Opening, prepare=_lock_spool)
def close_again(opening: Opening) -> None:
    """The bag counts as sealed until another fact opens it; the card is that of before."""
    spool = Spool.objects.get(pk=opening.spool_id)
    if opening.card != Card.NOT_LOOKED and spool.card == opening.card:
        _set_card(spool, opening.card_before)
    invalidate_after([spool.pk], opening.at)


def _set_card(spool: Spool, card: str) -> None:
    """The moisture on arrival rests on the card, so all of it is computed again where the card changes."""
    if card == spool.card:
        return
    spool.card = card
    spool.save(update_fields=["card"])
    invalidate_after([spool.pk], spool.received_at - JUST_BEFORE)
    enqueue("spools.advance_moisture", {"spool_ids": [spool.pk]})
