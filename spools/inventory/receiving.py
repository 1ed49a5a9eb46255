"""A spool comes into the shop."""

from datetime import datetime
from typing import Any

from django.db import transaction

from spools import codes, limits
from spools.checks import require_past_time, require_within
from spools.invalidation import invalidate_after
from spools.inventory.ledger import require_gross_mass
from spools.inventory.moves import lock_dryer, require_unheated
from spools.models import Feedstock, MassEntry, Place, Spool, Stay
from spools.physics_inputs import geometry
from spools.refusals import refusal

# Common practice, no source: empty reels weigh about 140 to 260 g.
UNKNOWN_CORE_G, UNKNOWN_CORE_BAND_G = 200.0, 60.0
LARGEST_RADIUS_MM = 250.0


@transaction.atomic
def receive_spool(
    *,
    feedstock: Feedstock,
    place: Place,
    core_radius_mm: float,
    width_mm: float,
    at: datetime | None = None,
    net_mass_g: float | None = None,
    gross_g: float | None = None,
    resolution_g: float = 1.0,
    core_mass_g: float | None = None,
    core_mass_band_g: float = 0,
    core_mass_known: bool = False,
    core_material: str = Spool.CoreMaterial.UNKNOWN,
    core_cap_c: float | None = None,
    sealed: bool = True,
    card: str = Spool.Card.NOT_LOOKED,
    batch: str = "",
    by: Any = None,
) -> Spool:
    """Register a spool with its first mass and its first place.

    Give the net mass on its label, or what it weighs with its reel (or both; the weighing counts).
    Without the reel's mass a common one with a wide band is assumed. Refused: impossible masses and
    sizes, a winding that would not fit, and a dryer that runs.
    """
    at = require_past_time(at)
    lock_dryer(place)
    require_unheated(place, at)
    if net_mass_g is None and gross_g is None:
        raise refusal("mass_missing", "Give the net mass on the label, or weigh the spool.", "net_mass_g")
    if core_mass_g is None:
        core_mass_g, core_mass_band_g, core_mass_known = UNKNOWN_CORE_G, UNKNOWN_CORE_BAND_G, False
    spool = Spool(
        code=generate_code(),
        feedstock=feedstock,
        batch=batch,
        core_mass_g=require_within("core_mass_g", core_mass_g, *limits.CORE_G),
        core_mass_band_g=require_within("core_mass_band_g", core_mass_band_g, *limits.CORE_ERROR_G),
        core_mass_known=core_mass_known,
        core_material=core_material,
        core_cap_c=None
        if core_cap_c is None
        else require_within("core_cap_c", core_cap_c, *limits.CORE_CAP_C),
        core_radius_mm=require_within("core_radius_mm", core_radius_mm, *limits.CORE_RADIUS_MM),
        width_mm=require_within("width_mm", width_mm, *limits.WIDTH_MM),
        sealed=sealed,
        card=card,
        received_at=at,
        created_by=by,
    )
    spool.clean_fields()
    entries = []
    if net_mass_g is not None:
        net_mass_g = require_within("net_mass_g", net_mass_g, *limits.NET_G)
        entries.append(MassEntry(kind=MassEntry.Kind.RECEIVED, net_change_g=net_mass_g))
    if gross_g is not None:
        gross_g, resolution_g = require_gross_mass(spool, gross_g, resolution_g)
        entries.append(MassEntry(kind=MassEntry.Kind.WEIGHED, gross_g=gross_g, resolution_g=resolution_g))
    for mass_g in (net_mass_g, None if gross_g is None else gross_g - core_mass_g):
        if mass_g is not None:
            require_winding_fits(spool, mass_g)
    spool.save(force_insert=True)
    for entry in entries:
        entry.spool, entry.at, entry.recorded_by = spool, at, by
        entry.save(force_insert=True)
    Stay.objects.create(spool=spool, place=place, start=at, recorded_by=by)
    invalidate_after([spool.pk], at)
    return spool


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
            f"{mass_g:.0f} g on a core this wide would reach {radius_mm:.0f} mm from the "
            f"axis; {LARGEST_RADIUS_MM:.0f} mm is the most. Look at the width, the core and the mass.",
            "width_mm",
        )
