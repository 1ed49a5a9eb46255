"""Drying: how hot a spool may get, how long it takes, and the runs. The cap lives here only."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Q, QuerySet

from . import catalogue, ledger
from .checkpoints import forget_after
from .checks import in_use, locked, moment, shown, within
from .climate import Climate, climates_now, heated_rh_pct, room_airs
from .exposure import moisture_of
from .history import least_drying_hours
from .loss import Loss as Loss
from .loss import loss_caution as loss_caution
from .loss import loss_on_drying as loss_on_drying
from .models import DryingRun, Place, Spool
from .moves import current_stay, not_in_run, put
from .windings import DOUBT, Air, Band, Winding, advanced, hours_until

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
TARGET_PCT = (0.0001, 30.0, "%")
DRYING_LOOKS_H = (0.5, 1, 1.5, 2, 3, 4, 5, 6, 8, 10, 12, 15, 18, 21, 24, 30, 36, 42, 48, 60, 72)
KEEPING_LOOKS_H = (1, 2, 4, 8, 12, 24, 48, 96, 168, 336, 720, 1440)
# The outer turns whose moisture counts where no job is named: those of a small one.
SMALL_JOB_G = 50.0


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


def joining_set_point_c(spool: Spool, dryer: Place, runs: Iterable[DryingRun]) -> float:
    """The set point that a spool would have in a dryer as it is now, given the shop's open runs.

    That of what is in it already, where the spool may be so hot; else the suggested one, beside the others.
    """
    beside = [run for run in runs if run.dryer_id == dryer.pk and run.spool_id != spool.pk]
    if beside and beside[0].set_point_c <= cap(spool, dryer).cap_c:
        return beside[0].set_point_c
    return suggested_set_point_c(spool, dryer, [run.spool for run in beside])


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
    must_dry(dryer)
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


def must_dry(place: Place) -> None:
    """Refuses a place that is no dryer."""
    if place.kind != Place.Kind.DRYER:
        raise ValidationError({"dryer": f"{place} is not a dryer. Choose one."})


def _runs_since(dryer: Place, at: datetime) -> QuerySet[DryingRun]:
    return (
        DryingRun.objects.filter(Q(end=None) | Q(end__gt=at), dryer=dryer)
        .select_related("spool__feedstock__polymer", "spool__feedstock__filler")
        .order_by("start")
    )


@dataclass(frozen=True)
class Plan:
    """Drying a spool in a dryer.

    hours and ready_at are None when the target cannot be reached there; reason says why, or what to expect.
    floor_pct: the moisture that this air leaves after any time (the median of what is thought possible).
    stays_good: for each place of the shop, hours until the turns needed may be over the print limit again;
    None for more than 60 days.
    """

    set_point_c: float
    cap: Cap
    hours: float | None
    floor_pct: float
    reachable: bool
    reason: str
    ready_at: datetime | None
    target_pct: float
    stays_good: list[tuple[Place, float | None]]


def plan_drying(
    spool: Spool,
    dryer: Place,
    *,
    set_point_c: float | None = None,
    mass_g: float | None = None,
    target_pct: float | None = None,
    at: datetime | None = None,
) -> Plan:
    """How long to dry a spool, from its state at ``at``, until probably all that is needed is dry enough.

    mass_g: the outermost grams that a job needs; without it the whole spool. target_pct: without it what
    prints well. Without a set point: the one that the dryer runs at, if the cap allows, or the suggested.
    Raises ValidationError for what is no dryer, and for a set point above the cap.
    """
    (plan,) = plan_each(
        [(spool, dryer)], set_point_c=set_point_c, mass_g=mass_g, target_pct=target_pct, at=at
    )
    return plan


def plan_each(
    pairs: Sequence[tuple[Spool, Place]],
    *,
    set_point_c: float | None = None,
    mass_g: float | None = None,
    target_pct: float | None = None,
    at: datetime | None = None,
) -> list[Plan]:
    """plan_drying for many pairs, in as few queries as for one (two more a pair with a set point)."""
    if mass_g is not None:
        mass_g = within("mass_g", mass_g, 0.1, ledger.MAX_NET_G, "g")
    if target_pct is not None:
        target_pct = within("target_pct", target_pct, *TARGET_PCT)
    drafts = _drafts(pairs, set_point_c, at)
    rooms = room_airs([dryer for _, dryer in pairs], at)
    states = moisture_of([spool for spool, _ in pairs], at)
    windings = [states[spool.pk].winding for spool, _ in pairs]
    targets = [default_target_pct(spool) if target_pct is None else target_pct for spool, _ in pairs]
    hot = [
        Air(0.0, set_c, heated_rh_pct(rooms[dryer.pk].temperature_c, rooms[dryer.pk].rh_pct, set_c), True)
        for (_, dryer), (_, set_c) in zip(pairs, drafts, strict=True)
    ]
    lanes = list(zip(windings, hot, strict=True))
    exact = hours_until(lanes, targets, mass_g, DRYING_LOOKS_H, below=True)
    hours = [None if h is None else math.ceil(h * 4) / 4 for h in exact]
    dried = advanced(
        [
            (one, [air._replace(hours=DRYING_LOOKS_H[-1] if h is None else h)])
            for (one, air), h in zip(lanes, hours, strict=True)
        ]
    )
    stays_good = _stay_good([spool for spool, _ in pairs], dried, mass_g)
    plans = []
    for n, ((spool, dryer), (highest, set_c)) in enumerate(zip(pairs, drafts, strict=True)):
        h, floors_pct = hours[n], windings[n].floor_pct(hot[n].rh_pct)
        floored = bool((floors_pct > targets[n]).mean() > DOUBT)
        plans.append(
            Plan(
                set_point_c=set_c,
                cap=highest,
                hours=h,
                floor_pct=Band.of(floors_pct).p50,
                reachable=h is not None,
                reason=_reason(h, set_c, targets[n], floored, rooms[dryer.pk]),
                ready_at=None if h is None else states[spool.pk].at + timedelta(hours=h),
                target_pct=targets[n],
                stays_good=stays_good[n],
            )
        )
    return plans


def _drafts(
    pairs: Sequence[tuple[Spool, Place]], set_point_c: float | None, at: datetime | None
) -> list[tuple[Cap, float]]:
    """Cap and set point of each pair."""
    runs = list(open_runs())
    drafts = []
    for spool, dryer in pairs:
        must_dry(dryer)
        if set_point_c is not None:
            check_set_point([spool], dryer, set_point_c, at=at)
        beside = [run.spool for run in runs if run.dryer_id == dryer.pk and run.spool_id != spool.pk]
        chosen_c = joining_set_point_c(spool, dryer, runs) if set_point_c is None else set_point_c
        drafts.append((cap(spool, dryer, beside), chosen_c))
    return drafts


def _reason(hours: float | None, set_point_c: float, target_pct: float, floored: bool, room: Climate) -> str:
    if hours == 0:
        return f"Probably below {target_pct:.2g} % already."
    if hours is not None:
        return f"Probably below {target_pct:.2g} % after {hours:g} h at {set_point_c:g} °C."
    if floored:
        return (
            f"Cannot be reached here: air of {room.temperature_c:.0f} °C and {room.rh_pct:.0f} % RH, heated "
            f"to {set_point_c:g} °C, may leave more than {target_pct:.2g} %. Use a drier room, a desiccant "
            "dryer, or a dryer and a reel that may run hotter."
        )
    return (
        f"Cannot be reached here: {DRYING_LOOKS_H[-1]:g} h at {set_point_c:g} °C are not enough for "
        f"{target_pct:.2g} %. Dry less of it, or where it may run hotter."
    )


def _stay_good(
    spools: Sequence[Spool], dried: Sequence[Winding], mass_g: float | None
) -> list[list[tuple[Place, float | None]]]:
    """For each dried spool: how long it stays good in each place that is no dryer."""
    places = list(Place.objects.exclude(kind=Place.Kind.DRYER))
    climates = climates_now(places)
    airs = {
        place: Air(0.0, climates[place.pk].temperature_c, climates[place.pk].rh_pct, place.moved_air)
        for place in places
    }
    # Shelves of one room often share their air: one forecast does for all of them.
    different = list(dict.fromkeys(airs.values()))
    limits_pct = [_print_limit_pct(spool) for spool in spools for _ in different]
    lanes = [(one, air) for one in dried for air in different]
    outer_g = SMALL_JOB_G if mass_g is None else mass_g
    hours = iter(hours_until(lanes, limits_pct, outer_g, KEEPING_LOOKS_H, below=False))
    told = [{air: next(hours) for air in different} for _ in spools]
    return [[(place, of_air[air]) for place, air in airs.items()] for of_air in told]


def _print_limit_pct(spool: Spool) -> float:
    limit_pct = catalogue.value(spool.feedstock, "limit_hold_pct")
    assert limit_pct is not None
    return limit_pct


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
        target_pct = within("target_pct", target_pct, *TARGET_PCT)
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
