"""Drying: how hot a spool may get, how long it takes, and the runs. The cap lives here only."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, NamedTuple

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Q, QuerySet

from . import catalogue, ledger
from .checkpoints import forget_after
from .checks import in_use, locked, moment, shown, within
from .history import least_drying_hours
from .models import DryingRun, Place, Spool
from .moves import current_stay, not_in_run, put

# fixtures/reference/README.md, what caps the drying temperature: spool bodies.
CORE_CAP_C = {
    Spool.CoreMaterial.UNKNOWN: 60.0,
    Spool.CoreMaterial.POLYSTYRENE: 65.0,
    Spool.CoreMaterial.ABS: 80.0,
    Spool.CoreMaterial.PP: 75.0,
    Spool.CoreMaterial.PC: 115.0,
    Spool.CoreMaterial.PET: 60.0,
    Spool.CoreMaterial.PLA: 45.0,
    Spool.CoreMaterial.CARDBOARD: 70.0,
}
# The same place: cardboard holds 5 to 8 % of water itself, which leaves with the filament's.
CARDBOARD_WATER = 0.08


@dataclass(frozen=True)
class Cap:
    """The highest set point in °C, which part sets it, and the limits of all parts, (what, °C)."""

    cap_c: float
    reason: str
    parts: list[tuple[str, float]]


def cap(spool: Spool, dryer: Place, others: Iterable[Spool] = ()) -> Cap:
    """The highest set point for a spool in a dryer beside others: the lowest of all limits."""
    parts = _spool_parts(spool)
    for other in others:
        if other.pk != spool.pk:
            what, limit_c = min(_spool_parts(other), key=lambda part: part[1])
            parts.append((f"spool {other.code} beside it ({what})", limit_c))
    if dryer.max_set_point_c is not None:
        parts.append((f"the dryer {dryer}", dryer.max_set_point_c))
    what, cap_c = min(parts, key=lambda part: part[1])
    return Cap(cap_c, f"{cap_c:g} °C is the most for {what}", parts)


def _spool_parts(spool: Spool) -> list[tuple[str, float]]:
    feedstock = spool.feedstock
    parts = [
        (f"drying {feedstock.polymer}", catalogue.value(feedstock, "dry_cap_c")),
        (f"{feedstock.polymer}, which softens there", catalogue.value(feedstock, "softening_c")),
    ]
    if spool.core_cap_c is not None:
        parts.append(("its reel, as stated", spool.core_cap_c))
    else:
        material = Spool.CoreMaterial(spool.core_material)
        known = material != Spool.CoreMaterial.UNKNOWN
        what = f"a reel of {material.label}" if known else "a reel of unknown material"
        parts.append((what, CORE_CAP_C[material]))
    return [(what, limit_c) for what, limit_c in parts if limit_c is not None]


def suggested_set_point_c(spool: Spool, dryer: Place, others: Iterable[Spool] = ()) -> float:
    """The usual drying temperature, or as near below it as the cap less the dryer's error allows."""
    limit_c = cap(spool, dryer, others).cap_c - dryer.set_point_error_c
    usual_c = catalogue.value(spool.feedstock, "dry_set_c")
    return float(math.floor(limit_c if usual_c is None else min(usual_c, limit_c)))


def open_runs(dryer: Place | None = None) -> QuerySet[DryingRun]:
    """Drying runs that are not finished, of one dryer or of all."""
    runs = DryingRun.objects.filter(end=None).select_related(
        "dryer__room", "spool__feedstock__polymer", "spool__feedstock__maker", "spool__feedstock__filler"
    )
    return runs if dryer is None else runs.filter(dryer=dryer)


def check_set_point(
    spools: Sequence[Spool], dryer: Place, set_point_c: float, *, at: datetime | None = None
) -> dict[int, Cap]:
    """The cap of each spool, by its id, when all of them may be dried there at this set point.

    Raises ValidationError on ``set_point_c`` with the cap and its reason, or, when the dryer runs or ran
    at another set point at that time, with the way out. The spools already in it count too.
    """
    if dryer.kind != Place.Kind.DRYER:
        raise ValidationError({"dryer": f"{dryer} is not a dryer. Choose one."})
    at = moment(at)
    set_point_c = within("set_point_c", set_point_c, 20, 250, "°C")
    running = list(_runs_since(dryer, at))
    together = [*spools, *(run.spool for run in running)]
    caps = {spool.pk: cap(spool, dryer, together) for spool in spools}
    lowest = min(caps.values(), key=lambda cap_: cap_.cap_c)
    if set_point_c > lowest.cap_c:
        raise ValidationError(
            {
                "set_point_c": f"{set_point_c:g} °C is too hot: {lowest.reason}. "
                f"Dry at {lowest.cap_c:g} °C or below."
            }
        )
    for run in running:
        if run.set_point_c != set_point_c:
            raise ValidationError(
                {
                    "set_point_c": f"{dryer} dries spool {run.spool.code} at {run.set_point_c:g} °C since "
                    f"{shown(run.start)}. Join at {run.set_point_c:g} °C, or finish that run first."
                }
            )
    return caps


def _runs_since(dryer: Place, at: datetime) -> QuerySet[DryingRun]:
    return (
        DryingRun.objects.filter(Q(end=None) | Q(end__gt=at), dryer=dryer)
        .select_related("spool__feedstock__polymer", "spool__feedstock__filler")
        .order_by("start")
    )


@transaction.atomic
def start_drying(
    spools: Sequence[Spool],
    dryer: Place,
    set_point_c: float,
    *,
    planned_hours: float | None = None,
    target_pct: float | None = None,
    at: datetime | None = None,
    gross_g: dict[int, float] | None = None,
    resolution_g: float = 1.0,
    by: Any = None,
) -> list[DryingRun]:
    """Put spools in a dryer at a set point: the only way into a drying run, and the gate of its cap.

    planned_hours: without it the polymer's usual least; target_pct: without it what prints well;
    gross_g: what each spool weighs before, by spool id.
    Refused: see check_set_point; a spool that is empty or in a drying run already.
    """
    if not spools:
        raise ValidationError({"spools": "Choose at least one spool to dry."})
    at = moment(at)
    # The dryer first, then the spools in the order of their ids: two starts wait instead of blocking.
    dryer = Place.objects.select_for_update().get(pk=dryer.pk)
    spools = [
        locked(spool) for spool in sorted({spool.pk: spool for spool in spools}.values(), key=lambda s: s.pk)
    ]
    for spool in spools:
        in_use(spool)
        moment(at, spool)
        not_in_run(spool, at)
    caps = check_set_point(spools, dryer, set_point_c, at=at)
    if planned_hours is not None:
        planned_hours = within("planned_hours", planned_hours, 0.1, 500, "h")
    if target_pct is not None:
        target_pct = within("target_pct", target_pct, 0.0001, 30, "%")
    runs = []
    for spool in spools:
        stay = current_stay(spool)
        if stay is not None and at < stay.start:
            raise ValidationError(
                {"at": f"Spool {spool.code} came to {stay.place} on {shown(stay.start)}. Give a later time."}
            )
        before = None
        if gross_g is not None and spool.pk in gross_g:
            before = ledger.weigh(spool, gross_g[spool.pk], resolution_g=resolution_g, at=at, by=by)
        put(spool, dryer, at, by)
        forget_after([spool.pk], at)
        runs.append(
            DryingRun.objects.create(
                spool=spool,
                dryer=dryer,
                set_point_c=set_point_c,
                cap_c=caps[spool.pk].cap_c,
                cap_reason=caps[spool.pk].reason[:200],
                planned_hours=least_drying_hours(spool) if planned_hours is None else planned_hours,
                target_pct=default_target_pct(spool) if target_pct is None else target_pct,
                start=at,
                before=before,
                recorded_by=by,
            )
        )
    return runs


def default_target_pct(spool: Spool) -> float:
    """The moisture at which the polymer prints well, %."""
    limit_pct = catalogue.value(spool.feedstock, "limit_clear_pct")
    assert limit_pct is not None
    return limit_pct


@transaction.atomic
def finish_drying(
    run: DryingRun,
    *,
    place: Place,
    at: datetime | None = None,
    gross_g: float | None = None,
    resolution_g: float = 1.0,
    by: Any = None,
) -> DryingRun:
    """End a drying run and put the spool in ``place``; gross_g is what it weighs after.

    Refused: a run that has ended, an end before its start or in the future.
    """
    spool = locked(run.spool)
    run = DryingRun.objects.select_for_update().get(pk=run.pk)
    at = moment(at, spool)
    if run.end is not None:
        raise ValidationError(f"This run was finished on {shown(run.end)} already.")
    if at <= run.start:
        raise ValidationError({"at": f"The run began on {shown(run.start)}. Give a later time."})
    if gross_g is not None:
        run.after = ledger.weigh(spool, gross_g, resolution_g=resolution_g, at=at, by=by)
    put(spool, place, at, by)
    forget_after([spool.pk], at)
    run.end = at
    run.save(update_fields=["end", "after"])
    return run


class Loss(NamedTuple):
    """Loss on drying: grams, % of the dry filament, and plus or minus how many grams (two sigma)."""

    mass_g: float
    pct: float
    uncertainty_g: float


def loss_on_drying(run: DryingRun) -> Loss | None:
    """What the weighings before and after say has left; None without both.

    A scale's step r is known within r²/12 (variance of rounding). Cardboard dries too: the water of the
    reel is not told apart from the filament's, so all that it can hold counts as uncertainty.
    """
    if run.before is None or run.after is None:
        return None
    before_g, after_g = run.before.gross_g or 0.0, run.after.gross_g or 0.0
    rounding_g = 2 * math.sqrt((run.before.resolution_g**2 + run.after.resolution_g**2) / 12)
    core_g = run.spool.core_mass_g
    cardboard = run.spool.core_material == Spool.CoreMaterial.CARDBOARD
    lost_g = before_g - after_g
    return Loss(
        lost_g,
        100 * lost_g / max(1.0, after_g - core_g),
        rounding_g + (CARDBOARD_WATER * core_g if cardboard else 0.0),
    )


def loss_caution(run: DryingRun) -> str:
    """What spoils a loss on drying, in words; empty when nothing does."""
    if run.spool.core_material != Spool.CoreMaterial.CARDBOARD:
        return ""
    water_g = CARDBOARD_WATER * run.spool.core_mass_g
    return f"A cardboard reel dries too: up to {water_g:.0f} g of the loss may be its own water."
