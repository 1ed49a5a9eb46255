"""Drying runs, and how hot a spool may get in one. The caps live here only."""

import math
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, NamedTuple

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Exists, OuterRef, Q, QuerySet
from django.utils import timezone

from spools import limits
from spools.catalogue import coupons
from spools.catalogue.values import material_values, softened_by_water
from spools.checks import lock_spool, lock_spool_facts, require_in_use, require_past_time, require_within
from spools.codes import pretty
from spools.drying import heat_budget, softening
from spools.drying.loss import Loss as Loss
from spools.drying.loss import impossible_loss as impossible_loss
from spools.drying.loss import loss_caution as loss_caution
from spools.drying.loss import loss_on_drying as loss_on_drying
from spools.invalidation import invalidate_after
from spools.inventory import ledger
from spools.inventory.moves import begin_stay, current_stay, lock_dryer, require_not_in_run, require_unheated
from spools.models import DryingRun, Feedstock, Place, PlannedDrying, Spool, Stay
from spools.moisture.history import least_drying_hours
from spools.physics_inputs import SMALL_JOB_G as SMALL_JOB_G
from spools.wording import format_time

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


@dataclass(frozen=True)
class Cap:
    """The highest set point in °C, which part sets it, and the limits of all parts, (what, °C).

    start_c, start_reason: the same for the stage that a run starts with; start_parts: what limits only that.
    It is lower where water softens the polymer: then a run gets hotter than that only after a first stage
    that has dried it enough.
    """

    cap_c: float
    reason: str
    parts: list[tuple[str, float]]
    start_c: float
    start_reason: str
    start_parts: list[tuple[str, float]]

    @property
    def two_stages(self) -> bool:
        """Whether a run may end hotter than it may start."""
        return self.start_c < self.cap_c


class FirstStage(NamedTuple):
    """The cooler first stage of a run: its set point and its hours."""

    set_point_c: float
    hours: float


def compute_cap(
    spool: Spool, dryer: Place, others: Iterable[Spool] = (), inside: Iterable[Spool] = ()
) -> Cap:
    """The highest set point for a spool in a dryer beside others: the lowest of all limits.

    others start together with it; ``inside`` are drying there already, and have a first stage behind them or
    share it.
    """
    others = [other for other in others if other.pk != spool.pk]
    beside = [(other, False) for other in inside if other.pk != spool.pk]
    parts = _all_parts(spool, dryer, [*((other, False) for other in others), *beside], False)
    start_parts = _all_parts(spool, dryer, [*((other, True) for other in others), *beside], True)
    what, cap_c = _lowest(parts)
    start_what, start_c = _lowest(start_parts)
    return Cap(
        cap_c,
        f"{cap_c:g} °C is the most for {what}",
        parts,
        start_c,
        f"{start_c:g} °C is the most for {start_what}",
        [part for part in start_parts if part not in parts],
    )


def _all_parts(
    spool: Spool, dryer: Place, beside: Sequence[tuple[Spool, bool]], starting: bool
) -> list[tuple[str, float]]:
    """beside: other spools, and whether they start too."""
    parts = _spool_parts(spool, starting)
    for other, starts in beside:
        what, limit_c = _lowest(_spool_parts(other, starts))
        parts.append((f"spool {pretty(other.code)} beside it ({what})", limit_c))
    if dryer.max_set_point_c is not None:
        parts.append((f"the dryer {dryer}", dryer.max_set_point_c))
    return parts


def _lowest(parts: list[tuple[str, float]]) -> tuple[str, float]:
    return min(parts, key=lambda part: part[1])


def _spool_parts(spool: Spool, starting: bool) -> list[tuple[str, float]]:
    """The limits of the winding and the reel; ``starting``: of a winding that may be as wet as it comes."""
    parts = _winding_parts(spool.feedstock, starting)
    if spool.core_cap_c is not None:
        parts.append(("its reel, as stated", spool.core_cap_c))
    else:
        material = Spool.CoreMaterial(spool.core_material)
        known = material != Spool.CoreMaterial.UNKNOWN
        what = f"a reel of {material.label}" if known else "a reel of unknown material"
        parts.append((what, CORE_CAP_C[material]))
    return parts


def _winding_parts(feedstock: Feedstock, starting: bool) -> list[tuple[str, float]]:
    """The table's limits; a coupon test outranks them, save for the start of what water softens."""
    polymer, values = feedstock.polymer, material_values(feedstock)
    soft = softened_by_water(polymer)
    # The catalogue's softening point of such a polymer is the wet one: the first stage takes care of it.
    softens_c = feedstock.softening_c if soft else values.softening_c
    table = [
        (f"drying {polymer}", values.dry_cap_c),
        (f"{polymer}, which softens there", softens_c),
    ]
    parts = [(what, limit_c) for what, limit_c in table if limit_c is not None]
    passed_c, failed_c = feedstock.coupon_passed_c, feedstock.coupon_failed_c
    if passed_c is not None and passed_c > _lowest(parts)[1]:
        parts = [(f"{polymer}, of which a coupon stayed free at {passed_c:g} °C", passed_c)]
        if heat_budget.is_polyamide(polymer):
            parts.append((f"{polymer} in air, which oxidises above", heat_budget.HOTTEST_IN_AIR_C))
    if failed_c is not None:
        parts.append(
            (f"{polymer}, of which a coupon stuck at {failed_c:g} °C", failed_c - coupons.BELOW_FAILED_K)
        )
    if soft and starting:
        parts.append((f"{polymer} while it may be wet", softening.START_CAP_C))
    return parts


def suggested_set_point_c(spool: Spool, dryer: Place, others: Iterable[Spool] = ()) -> float:
    """The usual drying temperature of a run in one stage, or as near below it as the caps allow.

    The cap less the dryer's error is the most that is suggested.
    """
    limit_c = compute_cap(spool, dryer, others).start_c - dryer.set_point_error_c
    return float(math.floor(min(material_values(spool.feedstock).dry_set_c, limit_c)))


def joining_set_point_c(spool: Spool, dryer: Place, runs: Iterable[DryingRun]) -> float:
    """The set point that a spool would have in a dryer as it is now, given the shop's open runs.

    That of what is in it already, where the spool may be so hot; else the suggested one, beside the others.
    """
    beside = [run for run in runs if run.dryer_id == dryer.pk and run.spool_id != spool.pk]
    if beside and may_join(compute_cap(spool, dryer), beside[0], timezone.now()):
        return beside[0].set_point_c
    return suggested_set_point_c(spool, dryer, [run.spool for run in beside])


def may_join(own: Cap, run: DryingRun, at: datetime) -> bool:
    """Whether a spool with this cap may follow the stages of a run from a time on, as far as the caps go."""
    return run.set_point_c <= own.cap_c and run.set_point_at(at) <= own.start_c


def open_runs(dryer: Place | None = None) -> QuerySet[DryingRun]:
    """Drying runs that are not finished, of one dryer or of all."""
    runs = DryingRun.objects.filter(end=None).select_related(
        "dryer__room", "spool__feedstock__polymer", "spool__feedstock__maker", "spool__feedstock__filler"
    )
    return runs if dryer is None else runs.filter(dryer=dryer)


def require_set_point(
    spools: Sequence[Spool],
    dryer: Place,
    set_point_c: float,
    *,
    first: FirstStage | None = None,
    at: datetime | None = None,
) -> dict[int, Cap]:
    """The cap of each spool, by its id, when all of them may be dried there so.

    first: a cooler stage before the set point. Raises ValidationError on ``set_point_c``,
    ``first_set_point_c`` or ``first_hours`` with the cap and its reason, where the first stage is too short,
    or, when the dryer does or did something else at that time, with the remedy. The spools that dry in it
    count too; one that merely stands in it is to be taken out first.
    """
    return _checked(spools, dryer, set_point_c, first, require_past_time(at))[0]


def _checked(
    spools: Sequence[Spool], dryer: Place, set_point_c: float, first: FirstStage | None, at: datetime
) -> tuple[dict[int, Cap], FirstStage | None]:
    """The caps, and the first stage as it will be: what is left of it where the dryer is in one."""
    require_dryer(dryer)
    set_point_c = require_within("set_point_c", set_point_c, *limits.SET_POINT_C)
    if first is not None:
        first = FirstStage(
            require_within("first_set_point_c", first.set_point_c, *limits.SET_POINT_C),
            require_within("first_hours", first.hours, *limits.RUN_HOURS),
        )
        if first.set_point_c >= set_point_c:
            raise ValidationError(
                {
                    "first_set_point_c": f"A first stage is cooler than the {set_point_c:g} °C after it. "
                    "Lower it, or leave it out."
                }
            )
    running = list(_runs_since(dryer, at))
    inside = [run.spool for run in running]
    caps = {spool.pk: compute_cap(spool, dryer, spools, inside) for spool in spools}
    _within_caps(caps.values(), set_point_c, first)
    first = _shared_first(first, running, at)
    for run in running:
        _agrees(run, set_point_c, first, at, caps.values())
    _none_stands(stays_without_run([dryer], at), spools)
    soft = [spool for spool in spools if compute_cap(spool, dryer).start_c < set_point_c]
    if first is not None and soft:
        _long_enough(soft, dryer, set_point_c, first, at)
    return caps, first


def require_below_cap(caps: Iterable[Cap], set_point_c: float) -> None:
    """Refuses a set point that no run of spools with these caps may ever have."""
    set_point_c = require_within("set_point_c", set_point_c, *limits.SET_POINT_C)
    lowest = min(caps, key=lambda cap_: cap_.cap_c)
    if set_point_c > lowest.cap_c:
        raise ValidationError(
            {
                "set_point_c": f"{set_point_c:g} °C is too hot: {lowest.reason}. "
                f"Dry at {lowest.cap_c:g} °C or below."
            }
        )


def _within_caps(caps: Collection[Cap], set_point_c: float, first: FirstStage | None) -> None:
    require_below_cap(caps, set_point_c)
    coolest = min(caps, key=lambda cap_: cap_.start_c)
    if first is not None and first.set_point_c > coolest.start_c:
        raise ValidationError(
            {
                "first_set_point_c": f"{first.set_point_c:g} °C is too hot to start at: "
                f"{coolest.start_reason}. Start at {coolest.start_c:g} °C or below."
            }
        )
    if first is None and set_point_c > coolest.start_c:
        raise ValidationError(
            {
                "set_point_c": f"{set_point_c:g} °C is too hot to start at: {coolest.start_reason}. "
                f"Dry at {coolest.start_c:g} °C or below, or give a first stage that is no hotter; "
                "the plan says for how long."
            }
        )


def _shared_first(first: FirstStage | None, running: Sequence[DryingRun], at: datetime) -> FirstStage | None:
    """A first stage that the dryer is in already lasts as long as it does for the others."""
    for run in running:
        change = run.change_at
        if first is not None and first.set_point_c == run.first_set_point_c and change and at < change:
            return FirstStage(first.set_point_c, (change - at) / timedelta(hours=1))
    return first


def _agrees(
    run: DryingRun, set_point_c: float, first: FirstStage | None, at: datetime, caps: Collection[Cap]
) -> None:
    """Refuses what the dryer cannot do while a run is in it: it has one set point at a time.

    caps: of the spools that would join; who may not be as hot as the run is not told to.
    """
    since = max(at, run.start)
    own_change = None if first is None else at + timedelta(hours=first.hours)
    own_c = first.set_point_c if first is not None and own_change and since < own_change else set_point_c
    changes = [
        change if change and since < change and (run.end is None or change < run.end) else None
        for change in (own_change, run.change_at)
    ]
    if own_c == run.set_point_at(since) and changes[0] == changes[1]:
        return
    dries = f"{run.dryer} dries spool {pretty(run.spool.code)} at"
    if not all(may_join(own, run, since) for own in caps):
        coolest = min(caps, key=lambda own: (own.cap_c, own.start_c))
        too_hot = (
            coolest.reason if run.set_point_c > coolest.cap_c else f"at the start {coolest.start_reason}"
        )
        say = (
            f"{dries} {run.temperatures}, which is too hot to join: {too_hot}. Finish that run first, or "
            "choose another dryer."
        )
    elif changes[1] is not None:
        say = (
            f"{dries} {run.first_set_point_c:g} °C until {format_time(changes[1])} and at {run.set_point_c:g} °C "
            f"after that. Join in both stages, first {run.first_set_point_c:g} and then "
            f"{run.set_point_c:g} °C, or finish that run first."
        )
    else:
        alone = "" if first is None else " in one stage"
        say = (
            f"{dries} {run.set_point_c:g} °C since {format_time(run.change_at or run.start)}. "
            f"Join at {run.set_point_c:g} °C{alone}, or finish that run first."
        )
    raise ValidationError({"set_point_c": say})


def _long_enough(
    soft: Sequence[Spool], dryer: Place, set_point_c: float, first: FirstStage, at: datetime
) -> None:
    """Refuses a first stage after which a polymer that water softens would still be soft."""
    needed = softening.first_stage_hours_in(soft, dryer, first.set_point_c, set_point_c, at)
    for spool, hours in zip(soft, needed, strict=True):
        code, polymer = pretty(spool.code), spool.feedstock.polymer
        if hours is None:
            raise ValidationError(
                {
                    "first_hours": f"Spool {code} would still be soft at {set_point_c:g} °C: water "
                    f"softens {polymer}, and {softening.LOOKS_H[-1]} h at {first.set_point_c:g} °C do not "
                    "dry it enough here. Choose a lower set point, or "
                    f"{softening.START_CAP_C:g} °C or below alone."
                }
            )
        if first.hours < hours:
            raise ValidationError(
                {
                    "first_hours": f"Spool {code} would still be soft at {set_point_c:g} °C: water "
                    f"softens {polymer}. It needs {math.ceil(hours * 4) / 4:g} h at "
                    f"{first.set_point_c:g} °C first, and would have {first.hours:.3g} h."
                }
            )


def stays_without_run(dryers: Iterable[Place], at: datetime) -> list[Stay]:
    """Stays in dryers at that time or later that no drying run of the same spool covers, to their end."""
    runs = DryingRun.objects.filter(
        Q(start__lte=at) | Q(start__lte=OuterRef("start")),
        Q(end=None) | Q(end__gte=OuterRef("end")),
        spool=OuterRef("spool"),
        dryer=OuterRef("place"),
    )
    stays = Stay.objects.filter(Q(end=None) | Q(end__gt=at), ~Exists(runs), place__in=dryers)
    return list(stays.select_related("place", "spool__feedstock__maker").order_by("start", "pk"))


def _none_stands(stays: Iterable[Stay], spools: Iterable[Spool]) -> None:
    """Refuses a run around a spool that is in the dryer without one: nobody has looked at its cap."""
    starting = {spool.pk for spool in spools}
    stay = next((stay for stay in stays if stay.spool_id not in starting), None)
    if stay is None:
        return
    stands = f"Spool {pretty(stay.spool.code)} stands in {stay.place}"
    if stay.end is None:
        say = (
            f"{stands} since {format_time(stay.start)} and would get as hot. Take it out first, or start it "
            "together with the others, where its cap counts."
        )
    else:
        say = (
            f"{stands} until {format_time(stay.end)} without a drying run and would have got as hot. Give a time "
            "after that."
        )
    raise ValidationError({"dryer": say})


def heat_caution(run: DryingRun) -> str:
    """That a run as planned gives a polyamide more heat than one run may, and how long would do; or empty."""
    *first, (set_point_c, hours) = run.planned_stages
    share = heat_budget.run_share(run.spool, run.planned_stages)
    if share is None or share <= heat_budget.ALL:
        return ""
    rest = heat_budget.run_share(run.spool, [(set_point_c, hours)]) or 0.0
    used = sum(hours for _, hours in first) + hours * max(0.0, heat_budget.ALL - (share - rest)) / rest
    return (
        f"Too much heat for one run: {100 * share:.0f} % of what a polyamide may have in air, or it turns "
        f"yellow and brittle. At {set_point_c:g} °C take it out after {math.floor(used)} h in all, or dry it "
        "cooler."
    )


def why_not_now(
    spools: Sequence[Spool],
    caps: Collection[Cap],
    set_point_c: float,
    first: FirstStage | None,
    at: datetime,
    *,
    runs: Iterable[DryingRun],
    stand: Iterable[Stay],
    dryer: Place,
) -> str:
    """Why these spools cannot be started so at that time, beside what their caps say; empty when they can.

    runs: the open ones of the shop; stand: what stands in its dryers.
    """
    ids = {spool.pk for spool in spools}
    beside = [run for run in runs if run.dryer_id == dryer.pk and run.spool_id not in ids]
    try:
        for spool in spools:
            require_in_use(spool)
        for run in runs:
            if run.spool_id in ids:
                raise ValidationError(
                    f"Spool {pretty(run.spool.code)} is drying in {run.dryer} since {format_time(run.start)}. "
                    "Finish that run first."
                )
        for run in beside:
            _agrees(run, set_point_c, _shared_first(first, beside, at), at, caps)
        _none_stands([stay for stay in stand if stay.place_id == dryer.pk], spools)
    except ValidationError as error:
        return " ".join(error.messages)
    return ""


def require_dryer(place: Place) -> None:
    """Refused: a place that is not a dryer."""
    if place.kind != Place.Kind.DRYER:
        raise ValidationError({"dryer": f"{place} is not a dryer. Choose one."})


def _runs_since(dryer: Place, at: datetime) -> QuerySet[DryingRun]:
    return (
        DryingRun.objects.filter(Q(end=None) | Q(end__gt=at), dryer=dryer)
        .select_related("dryer", "spool__feedstock__polymer", "spool__feedstock__filler")
        .order_by("start")
    )


@transaction.atomic
def start_drying(
    spools: Sequence[Spool],
    dryer: Place,
    set_point_c: float,
    *,
    first_set_point_c: float | None = None,
    first_hours: float | None = None,
    planned_hours: float | None = None,
    target_pct: float | dict[int, float] | None = None,
    at: datetime | None = None,
    gross_g: dict[int, float] | None = None,
    resolution_g: float = 1.0,
    by: Any = None,
) -> list[DryingRun]:
    """Put spools in a dryer at a set point: the only way into a drying run, and the gate of its cap.

    first_set_point_c, first_hours: a cooler first stage; where the dryer is in one already, it lasts as long
    as it does for the spools in there. planned_hours: those of all stages, without them the polymer's usual
    least; target_pct: one for all or by spool id, without it what prints well; gross_g: what each spool
    weighs before, by spool id.
    Refused: see require_set_point; a spool that is empty or in a drying run already.
    """
    if not spools:
        raise ValidationError({"spools": "Choose at least one spool to dry."})
    at = require_past_time(at)
    # The dryer first, then the spools in the order of their ids: two starts wait instead of blocking.
    lock_spool_facts()
    dryer = Place.objects.select_for_update(no_key=True).get(pk=dryer.pk)
    spools = [
        lock_spool(spool)
        for spool in sorted({spool.pk: spool for spool in spools}.values(), key=lambda s: s.pk)
    ]
    for spool in spools:
        require_in_use(spool)
        require_past_time(at, spool)
        require_not_in_run(spool, at)
    caps, first = _checked(spools, dryer, set_point_c, _first(first_set_point_c, first_hours), at)
    if planned_hours is not None:
        planned_hours = require_within("planned_hours", planned_hours, *limits.RUN_HOURS)
        if first is not None and planned_hours <= first.hours:
            raise ValidationError(
                {
                    "planned_hours": f"The first stage alone takes {first.hours:.3g} h. "
                    "Give the hours of both stages together."
                }
            )
    targets_pct = target_pct if isinstance(target_pct, dict) else {spool.pk: target_pct for spool in spools}
    runs = []
    for spool in spools:
        stay = current_stay(spool)
        if stay is not None and at < stay.start:
            raise ValidationError(
                {
                    "at": f"Spool {pretty(spool.code)} came to {stay.place} on {format_time(stay.start)}. "
                    "Give a later time."
                }
            )
        before = None
        if gross_g is not None and spool.pk in gross_g:
            before = ledger.weigh(spool, gross_g[spool.pk], resolution_g=resolution_g, at=at, by=by)
        begin_stay(spool, dryer, at, by)
        invalidate_after([spool.pk], at)
        runs.append(
            DryingRun.objects.create(
                spool=spool,
                dryer=dryer,
                first_set_point_c=None if first is None else first.set_point_c,
                first_hours=None if first is None else first.hours,
                set_point_c=set_point_c,
                **_kept(caps[spool.pk], first),
                planned_hours=_usual_hours(spool, first) if planned_hours is None else planned_hours,
                target_pct=_target_pct(spool, targets_pct.get(spool.pk)),
                start=at,
                before=before,
                recorded_by=by,
            )
        )
    _tie_to_plan(runs)
    return runs


def _tie_to_plan(runs: Iterable[DryingRun]) -> None:
    """Runs are what the accepted plan of the week has for their spools in their dryers."""
    planned = PlannedDrying.objects.filter(
        plan__accepted_at__isnull=False, plan__ended_at=None, ended_at=None, run=None
    )
    for run in runs:
        planned.filter(spool=run.spool_id, dryer=run.dryer_id).update(run=run)


def _first(set_point_c: float | None, hours: float | None) -> FirstStage | None:
    if set_point_c is None and hours is None:
        return None
    if set_point_c is None:
        raise ValidationError({"first_set_point_c": "Give the first stage's set point too, or no hours."})
    if hours is None:
        raise ValidationError({"first_hours": "Give the first stage's hours too, or no set point."})
    return FirstStage(set_point_c, hours)


def _kept(cap_: Cap, first: FirstStage | None) -> dict[str, Any]:
    """What a run keeps of its caps. One in a single stage starts with its set point."""
    starts_only = first is None and cap_.two_stages
    return {
        "start_cap_c": cap_.start_c,
        "cap_c": cap_.start_c if starts_only else cap_.cap_c,
        "cap_reason": (cap_.start_reason if starts_only else cap_.reason)[:200],
    }


def _usual_hours(spool: Spool, first: FirstStage | None) -> float:
    """The polymer's usual least, and not less than an hour after a first stage."""
    usual = least_drying_hours(spool)
    return usual if first is None else max(usual, first.hours + 1)


def _target_pct(spool: Spool, asked_pct: float | None) -> float:
    return (
        default_target_pct(spool)
        if asked_pct is None
        else require_within("target_pct", asked_pct, *limits.TARGET_PCT)
    )


def default_target_pct(spool: Spool) -> float:
    """The moisture at which the polymer prints well, %."""
    return material_values(spool.feedstock).limit_clear_pct


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

    Refused: a run that has ended, an end before its start or in the future, a dryer that others dry in.
    """
    lock_dryer(place)
    spool = lock_spool(run.spool)
    run = DryingRun.objects.select_for_update(no_key=True).get(pk=run.pk)
    at = require_past_time(at, spool)
    if run.end is not None:
        raise ValidationError(f"This run was finished on {format_time(run.end)} already.")
    if at <= run.start:
        raise ValidationError({"at": f"The run began on {format_time(run.start)}. Give a later time."})
    if gross_g is not None:
        run.after = ledger.weigh(spool, gross_g, resolution_g=resolution_g, at=at, by=by)
    run.end = at
    run.save(update_fields=["end", "after"])
    require_unheated(place, at)
    begin_stay(spool, place, at, by)
    invalidate_after([spool.pk], at)
    return run
