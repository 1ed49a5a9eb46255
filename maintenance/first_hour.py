"""The first hour of a shop: a room, a printer with what is on it, and its first spools, recorded in one act."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db import transaction

from maintenance.machines.printers import add_printer
from maintenance.models import PartKind, Printer, PriorUse, Toolhead
from maintenance.parts.fitting import fit_used
from spools.inventory.assumptions import save_feedstock, save_place
from spools.inventory.receiving import NewSpool, receive_alike
from spools.models import Feedstock, Place, Spool

# The material of liners that reach into the hot end and age there.
PTFE = "PTFE"


@dataclass(frozen=True)
class PartOnMachine:
    """A part that is on the machine already, since about so many months; None: nobody knows since when."""

    kind: PartKind
    months: float | None = None


@dataclass(frozen=True)
class FirstShop:
    """What the first page asks, not stored yet. received_at: of the spools; spool: what they have in common."""

    room: Place
    printer: Printer
    toolhead: Toolhead
    parts: list[PartOnMachine]
    feedstock: Feedstock
    maker: str
    spool: dict[str, Any]
    count: int = 1
    received_at: datetime | None = None


@transaction.atomic
def begin_shop(shop: FirstShop, by: Any = None) -> tuple[Printer, list[Spool]]:
    """Store a room, a printer in it with its parts, and spools that lie there: all of it or nothing.

    Refused: what cannot be, on the fields of what is stored (a name that is taken, a winding that does not fit).
    """
    room = save_place(shop.room)
    climate = {"assumed_temperature_c": room.assumed_temperature_c, "assumed_rh_pct": room.assumed_rh_pct}
    liners = [part.kind for part in shop.parts if part.kind.role == PartKind.Role.LINER]
    shop.toolhead.ptfe_lined = any(kind.material == PTFE for kind in liners)
    printer = add_printer(shop.printer, shop.toolhead, **climate)
    # It breathes the air of the room: readings there count for it.
    printer.place.room = room
    save_place(printer.place)
    for part in shop.parts:
        unit = PriorUse.Unit.UNKNOWN if part.months is None else PriorUse.Unit.MONTHS
        fit_used(shop.toolhead, part.kind, unit.value, part.months, by=by)
    feedstock = save_feedstock(shop.feedstock, shop.maker)
    new = NewSpool(feedstock=feedstock, **shop.spool)
    return printer, receive_alike(new, shop.count, room, at=shop.received_at, by=by)
