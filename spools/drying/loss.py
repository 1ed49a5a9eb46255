"""Loss on drying: the mass before a drying run less the mass after it."""

import math
from typing import NamedTuple

from spools.catalogue.members import most_water_pct
from spools.inventory.ledger import reel_of
from spools.models import DryingRun, Spool
from spools.statements import Statement

# Cardboard holds 5 to 8 % of water itself (fixtures/reference/README.md, spool bodies).
CARDBOARD_WATER = 0.08
# A loss above this share of the highest water content is impossible; grades go a little beyond the range.
WETTEST = 1.1


class Loss(NamedTuple):
    """Loss on drying: grams, % of the dry filament, and plus or minus how many grams (two sigma)."""

    mass_g: float
    pct: float
    uncertainty_g: float


def loss_on_drying(run: DryingRun) -> Loss | None:
    """The loss by the weighings before and after; None without both, or where one was withdrawn.

    A scale's step r is known within r²/12 (variance of rounding). Cardboard dries too: the water of the
    reel cannot be told from the filament's, so all that it can hold counts as uncertainty.
    """
    before, after = run.weighed_before, run.weighed_after
    if before is None or after is None:
        return None
    before_g, after_g = before.gross_g or 0.0, after.gross_g or 0.0
    rounding_g = 2 * math.sqrt((before.resolution_g**2 + after.resolution_g**2) / 12)
    core_g, _ = reel_of(run.spool, after)
    cardboard = run.spool.core_material == Spool.CoreMaterial.CARDBOARD
    lost_g = before_g - after_g
    return Loss(
        lost_g,
        100 * lost_g / max(1.0, after_g - core_g),
        rounding_g + (CARDBOARD_WATER * core_g if cardboard else 0.0),
    )


def loss_caution(run: DryingRun) -> Statement | None:
    """The reason why a loss on drying cannot be trusted; None when it can."""
    return impossible_loss(run) or _reel_caution(run.spool)


def impossible_loss(run: DryingRun) -> Statement | None:
    """The reason why the weighings before and after cannot both be right; None when they can."""
    spool, loss = run.spool, loss_on_drying(run)
    if loss is None:
        return None
    if loss.mass_g < -2 * loss.uncertainty_g:
        return Statement("drying.heavier_after", {"gain_g": -loss.mass_g})
    filament_g = 100 * loss.mass_g / loss.pct if loss.pct else 0.0
    most_pct = most_water_pct(spool)
    if loss.mass_g - loss.uncertainty_g > WETTEST * most_pct / 100 * filament_g:
        holds = {"polymer": spool.feedstock.polymer.name, "most_pct": most_pct}
        return Statement("drying.impossible_loss", holds | {"loss_pct": loss.pct})
    return None


def _reel_caution(spool: Spool) -> Statement | None:
    if spool.core_material != Spool.CoreMaterial.CARDBOARD:
        return None
    return Statement("drying.reel_dries_too", {"water_g": CARDBOARD_WATER * spool.core_mass_g})
