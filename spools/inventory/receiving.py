"""Receiving: a spool comes into the shop."""

from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Any

from django.db import transaction
from django.utils.translation import gettext as _

from spools import codes, limits
from spools.checks import require_past_time, require_within
from spools.invalidation import invalidate_after
from spools.inventory.ledger import require_gross_mass
from spools.inventory.moves import lock_dryer, require_target
from spools.inventory.stays import rebuild_stays, require_unheated
from spools.models import CoreKind, Feedstock, MassEntry, Move, Opening, Place, Spool
from spools.physics_inputs import geometry
from spools.refusals import refusal
from spools.wording import format_exact

# Common practice, no source: empty reels weigh about 140 to 260 g.
UNKNOWN_CORE_G, UNKNOWN_CORE_BAND_G = 200.0, 60.0
LARGEST_RADIUS_MM = 250.0
# Labels state multiples of this. How near to one a difference of two weighings is: our assumption.
ROUND_G, ROUND_ERROR_G, MOST_ROUND_ERROR_G = 250.0, 2.0, 8.0

# Of a reel of 1 kg, as fixtures/core_kinds.csv has it.
USUAL_RADIUS_MM, USUAL_WIDTH_MM = 45.0, 60.0
# Of a place about which nobody has said more. Common practice, no source: heated rooms, and boxes with spent desiccant.
GUESSED_C = 21.0
GUESSED_RH_PCT = {Place.Kind.SHELF: 50.0, Place.Kind.DRY_BOX: 20.0, Place.Kind.BAG: 50.0}


@dataclass(frozen=True)
class NewSpool:
    """A spool as it comes: its feedstock, masses, reel and bag.

    Give the net mass on its label, its mass with the reel, or both; then the weighing counts. Without
    core_mass_g a common one with a wide range is assumed. sealed: it came in an unbroken bag; opened: which is
    opened as it comes. masses_confirmed: they are right, though one looks like the other.
    """

    feedstock: Feedstock
    core_radius_mm: float
    width_mm: float
    net_mass_g: float | None = None
    gross_g: float | None = None
    resolution_g: float = 1.0
    core_mass_g: float | None = None
    core_mass_band_g: float = 0.0
    core_mass_known: bool = False
    core_material: str = Spool.CoreMaterial.UNKNOWN
    core_cap_c: float | None = None
    sealed: bool = True
    opened: bool = False
    card: str = Spool.Card.NOT_LOOKED
    batch: str = ""
    price: Decimal | None = None
    masses_confirmed: bool = False

    def reel_fields(self) -> dict[str, Any]:
        """The fields of the spool's reel. Refused: numbers outside the limits."""
        mass_g, band_g, is_known = self.core_mass_g, self.core_mass_band_g, self.core_mass_known
        if mass_g is None:
            mass_g, band_g, is_known = UNKNOWN_CORE_G, UNKNOWN_CORE_BAND_G, False
        cap_c = self.core_cap_c
        return {
            "core_mass_g": require_within("core_mass_g", mass_g, *limits.CORE_G),
            "core_mass_band_g": require_within("core_mass_band_g", band_g, *limits.CORE_ERROR_G),
            "core_mass_known": is_known,
            "core_material": self.core_material,
            "core_cap_c": None if cap_c is None else require_within("core_cap_c", cap_c, *limits.CORE_CAP_C),
            "core_radius_mm": require_within("core_radius_mm", self.core_radius_mm, *limits.CORE_RADIUS_MM),
            "width_mm": require_within("width_mm", self.width_mm, *limits.WIDTH_MM),
        }


@transaction.atomic
def receive_spool(
    new: NewSpool, place: Place, *, at: datetime | None = None, by: Any = None, code: str = ""
) -> Spool:
    """Registers a spool under a new code, with its first mass and its first place.

    code: one that is on its label already and that no spool of the shop has; the caller has checked it.

    Refused: neither a net mass nor a weighing, impossible masses and sizes, a winding that would not fit, a
    dryer that runs.
    """
    at = require_past_time(at)
    require_target(place)
    lock_dryer(place)
    require_unheated(place, at)
    if new.net_mass_g is None and new.gross_g is None:
        raise refusal("mass_missing", _("Give the net mass on the label, or weigh the spool."), "net_mass_g")
    if not new.masses_confirmed:
        _require_plausible_masses(new)
    spool = Spool(
        code=code or generate_code(),
        feedstock=new.feedstock,
        batch=new.batch,
        price=new.price,
        sealed=new.sealed,
        card=new.card,
        received_at=at,
        created_by=by,
        **new.reel_fields(),
    )
    spool.clean_fields()
    entries = _first_entries(spool, new)
    spool.save(force_insert=True)
    for entry in entries:
        entry.spool, entry.at, entry.recorded_by = spool, at, by
        entry.save(force_insert=True)
    Move.objects.create(spool=spool, place=place, at=at, recorded_by=by)
    rebuild_stays(spool)
    if new.sealed and new.opened:
        Opening.objects.create(spool=spool, at=at, card=spool.card, card_before=spool.card, recorded_by=by)
    invalidate_after([spool.pk], at)
    return spool


def suggest_reel(net_mass_g: float) -> dict[str, Any]:
    """Radius and width of the smallest common reel that carries an amount, for a reel that nobody described.

    Its mass and material stay unknown.
    """
    reels = CoreKind.objects.order_by("net_mass_g", "pk")
    reel = reels.filter(net_mass_g__gte=net_mass_g).first() or reels.last()
    if reel is None:
        return {"core_radius_mm": USUAL_RADIUS_MM, "width_mm": USUAL_WIDTH_MM}
    return {"core_radius_mm": reel.core_radius_mm, "width_mm": reel.width_mm}


@transaction.atomic
def receive_alike(
    new: NewSpool, count: int, place: Place, *, at: datetime | None = None, by: Any = None
) -> list[Spool]:
    """Registers several alike spools, each under a new code: all of them or none.

    Refused: as by receive_spool, a count out of limits, and a weighing of several, since each weighs its own.
    """
    count = int(require_within("count", count, *limits.ALIKE))
    if count > 1 and new.gross_g is not None:
        raise refusal(
            "weighed_together",
            _("Each spool weighs its own: receive them without a weighing, then weigh each on its page."),
            "gross_g",
        )
    # One time for all of them.
    at = require_past_time(at)
    return [receive_spool(new, place, at=at, by=by) for _spool in range(count)]


def _is_round(mass_g: float, error_g: float = ROUND_ERROR_G) -> bool:
    """Whether a label may state this net mass."""
    return mass_g > 0 and abs(mass_g - ROUND_G * max(1, round(mass_g / ROUND_G))) <= error_g


def _require_plausible_masses(new: NewSpool) -> None:
    """Refused: a mass with the reel that looks like a net mass, and the other way round."""
    if new.core_mass_g is None:
        return
    core_g, gross_g, net_g = new.core_mass_g, new.gross_g, new.net_mass_g
    error_g = max(ROUND_ERROR_G, min(new.core_mass_band_g, MOST_ROUND_ERROR_G))
    if gross_g is not None and _is_round(gross_g) and not _is_round(gross_g - core_g, error_g):
        raise refusal(
            "net_as_gross",
            _(
                "{gross} looks like the net mass on a label: with the reel of {core} only {net} of filament would be on "
                "it. Give it as the filament by the label, or confirm it."
            ).format(gross=_in_g(gross_g), core=_in_g(core_g), net=_in_g(gross_g - core_g)),
            "gross_g",
        )
    if net_g is not None and not _is_round(net_g) and _is_round(net_g - core_g, error_g):
        raise refusal(
            "gross_as_net",
            _(
                "{gross} looks like the mass with the reel: without the reel of {core} it is {net}. Give it as the first "
                "weighing, or confirm it."
            ).format(gross=_in_g(net_g), core=_in_g(core_g), net=_in_g(net_g - core_g)),
            "net_mass_g",
        )


def _in_g(mass_g: float) -> str:
    """In the unit of the fields, whatever is shown elsewhere."""
    return f"{format_exact(mass_g)} g"


def _first_entries(spool: Spool, new: NewSpool) -> list[MassEntry]:
    """The entries of its net mass and of its first weighing. Refused: a winding that would not fit."""
    entries = []
    if new.net_mass_g is not None:
        net_g = require_within("net_mass_g", new.net_mass_g, *limits.NET_G)
        require_winding_fits(spool, net_g)
        entries.append(MassEntry(kind=MassEntry.Kind.RECEIVED, net_change_g=net_g))
    if new.gross_g is not None:
        gross_g, resolution_g = require_gross_mass(spool, new.gross_g, new.resolution_g)
        require_winding_fits(spool, gross_g - spool.core_mass_g)
        entries.append(MassEntry(kind=MassEntry.Kind.WEIGHED, gross_g=gross_g, resolution_g=resolution_g))
    return entries


def generate_code() -> str:
    """A new code that no spool has."""
    while Spool.objects.filter(code=(code := codes.new_code())).exists():
        pass
    return code


def require_winding_fits(spool: Spool, mass_g: float) -> None:
    """Refused: a winding that no reel of this core and width carries."""
    radius_mm = 1000 * geometry(spool, mass_g).outer_radius_m
    if radius_mm > LARGEST_RADIUS_MM:
        raise refusal(
            "winding_too_large",
            _(
                "{mass_g} g on a core this wide would reach {radius_mm} mm from the axis; {most_mm} mm is the most. Look at "
                "the width, the core and the mass."
            ).format(
                mass_g=f"{mass_g:.0f}", radius_mm=f"{radius_mm:.0f}", most_mm=f"{LARGEST_RADIUS_MM:.0f}"
            ),
            "width_mm",
        )
