"""The advisor: how to dry each spool, or why it needs no drying. All pages, messages and plans show its advice.

An accepted plan of the week is the advice for its spools. Each other spool gets the dryer in which it is dry
first, by the same search as the page of a plan; the search counts the runs in a dryer and the dryings ahead.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import NamedTuple

import msgspec

from spools.air.bags import is_computed_bag
from spools.air.dry_box_facts import is_complete
from spools.drying import heat_budget
from spools.drying.caps import compute_cap
from spools.drying.choices import WHOLE, Choice, choose_for_each, place_queue, prints_well
from spools.drying.dryers import Dryers
from spools.drying.forecast import cross_limits, limits_of, needed_until, stages_ahead
from spools.drying.options import STORAGE_PROBE_HOURS
from spools.drying.plan_statements import explain_result, list_notes
from spools.drying.reels import find_limit_or_reel
from spools.drying.runs import default_target_pct
from spools.drying.storage import choose_driest, forecast_through_airs
from spools.models import DryingRun, Place, PlannedDrying
from spools.moisture.state import Moisture
from spools.physics_inputs import (
    SMALL_JOB_G,
    START_C,
    Array,
    ConstantAir,
    Interval,
    Winding,
    advance_windings,
    forecast_wetting,
)
from spools.statements import Statement

# The kinds of advice: it prints well; dry it; dry it as planned for the week; it is in a run; no dryer dries it; the
# heat budget of a polyamide is used up; there is no dryer.
NONE_NEEDED, DRY, PLANNED, IN_RUN = "none_needed", "dry", "planned", "in_run"
UNREACHABLE, HEAT_USED, NO_DRYER = "unreachable", "heat_used", "no_dryer"

# The moisture ahead that is shown: at the quarters of each stage of a drying, and for a week after it.
QUARTERS = 4
AFTER_H = (0.0, *(hours for hours in STORAGE_PROBE_HOURS if hours <= 168))


class MoistureAhead(NamedTuple):
    """The moisture of the outer turns at a time ahead: 10 %, 50 % and 90 % quantiles, % by mass."""

    at: datetime
    p10_pct: float
    p50_pct: float
    p90_pct: float


@dataclass(frozen=True)
class AdvisedDrying:
    """A drying in a dryer.

    stages: (set point in °C, hours) of each; the hours of the last are None where no time is enough. starts_at,
    ready_at: None where no time is enough. waits: reasons why it cannot start now, "drying.waits_for" (spools that
    occupy the dryer until a time) and "drying.take_out_first" (finished spools in it). shares_with: the codes of
    the spools that it joins. mass_g: the outermost grams that alone get dry; None: all of it.
    """

    dryer_id: int
    dryer: str
    stages: list[tuple[float, float | None]]
    hours: float | None
    starts_at: datetime | None
    ready_at: datetime | None
    waits: list[Statement]
    shares_with: list[str]
    mass_g: float | None = None


@dataclass(frozen=True)
class Advice:
    """How a spool is to be dried, as plain data that JSON can hold.

    drying: None where it is not needed or there is no dryer. next_best: in another dryer, or at another time.
    limited_by: the limit that keeps the spool from being dry sooner. well_h, printable_h: hours after the drying until it
    may no longer print well and until it may be over the print limit, in the place where it stands now; None:
    a year and more, or no drying is enough. planned: the id of its drying in the accepted plan of the
    week. run: the id of the drying run that it is in. take_out_by: when the heat of that run is used up.
    course: of the outer turns through the drying, and for a week in that place after it; empty where it is never ready.
    """

    kind: str
    target_pct: float
    drying: AdvisedDrying | None = None
    next_best: AdvisedDrying | None = None
    limited_by: Statement | None = None
    cautions: list[Statement] = field(default_factory=list)
    place: str = ""
    well_h: float | None = None
    printable_h: float | None = None
    planned: int | None = None
    run: int | None = None
    take_out_by: datetime | None = None
    course: list[MoistureAhead] = field(default_factory=list)

    @property
    def statement(self) -> Statement:
        """The advice as a statement: its kind in the code, all other fields as values."""
        values = msgspec.json.decode(msgspec.json.encode(self))
        return Statement(f"advice.{values.pop('kind')}", values)

    @property
    def mass_g(self) -> float | None:
        """The outermost grams that alone get dry, where all of it takes too long or is not needed."""
        return None if self.drying is None else self.drying.mass_g

    @property
    def sentence(self) -> str:
        return self.statement.sentence


@dataclass(frozen=True)
class _Dried:
    """An advice without the times after its drying, and the airs of the drying from now on."""

    state: Moisture
    advice: Advice
    airs: list[ConstantAir]


def advise(states: Mapping[int, Moisture], dryers: Dryers) -> dict[int, Advice]:
    """The advice for spools, by spool id.

    states: their moisture at ``dryers.at``, by spool id, from moisture_of(). dryers: from load_dryers(), with
    their runs, the dryings ahead of the accepted plan of the week, and the queue for requested prints. No queries, but
    once for the air of storage;
    the physics runs in a few calls for all spools.
    """
    runs = {run.spool_id: run for run in dryers.runs}
    choices = place_queue(dryers)
    wet = {
        pk: state
        for pk, state in states.items()
        if pk not in runs and pk not in dryers.planned and not prints_well(state)
    }
    choices = choices | choose_for_each([state for pk, state in wet.items() if pk not in choices], dryers)
    dried: list[_Dried] = []
    advice: dict[int, Advice] = {}
    for pk, state in states.items():
        spool = state.history.spool
        target_pct = default_target_pct(spool)
        if pk in runs:
            dried.append(_in_run(runs[pk], state, dryers))
        elif pk in dryers.planned:
            dried.append(_as_planned(dryers.planned[pk], state, dryers))
        elif pk not in wet:
            advice[pk] = Advice(NONE_NEEDED, target_pct)
        elif not choices[pk]:
            advice[pk] = Advice(NO_DRYER, target_pct)
        else:
            dried.append(_by_choice(choices[pk], state))
    return advice | _add_times_after(dried, dryers)


def _by_choice(choices: list[Choice], state: Moisture) -> _Dried:
    """The advice for a wet spool by its choices."""
    best, *alternatives = choices
    spool = best.spool
    heat = heat_budget.compute_heat(spool, state.history.runs, state.at)
    share = heat_budget.life_share(spool, best.draft.stages(best.hours or 0.0))
    life_share = None if share is None or heat.life_share is None else heat.life_share + share
    if best.ready_at is None:
        kind = UNREACHABLE
        result = explain_result(best.load, best.draft, 0)
        cautions = [result, *list_notes(best.load, best.draft, 0, life_share, WHOLE)]
    else:
        kind = HEAT_USED if life_share is not None and life_share > heat_budget.ALL else DRY
        cautions = list_notes(best.load, best.draft, 0, life_share, WHOLE)
    reached = next((choice for choice in alternatives if choice.ready_at is not None), None)
    advice = Advice(
        kind=kind,
        target_pct=best.load.targets_pct[0],
        drying=_describe(best),
        next_best=None if reached is None else _describe(reached),
        limited_by=find_limit_or_reel(best.load, best.draft),
        cautions=cautions,
    )
    stages = [] if best.hours is None else best.draft.stages(best.hours)
    return _Dried(state, advice, [best.load.heated_air(*stage) for stage in stages])


def _describe(choice: Choice) -> AdvisedDrying:
    draft, slot, dryer = choice.draft, choice.slot, choice.load.dryer
    stages: list[tuple[float, float | None]] = [(draft.set_point_c, None)]
    if choice.hours is not None:
        stages = list(draft.stages(choice.hours))
    return AdvisedDrying(
        dryer_id=dryer.pk,
        dryer=str(dryer),
        stages=stages,
        hours=choice.hours,
        starts_at=None if choice.hours is None else slot.start,
        ready_at=choice.ready_at,
        waits=slot.waits,
        shares_with=slot.shares_with,
        mass_g=choice.mass_g,
    )


def _as_planned(planned: PlannedDrying, state: Moisture, dryers: Dryers) -> _Dried:
    """The advice from the accepted plan of the week; a late drying starts as soon as the dryer allows."""
    dryer = planned.dryer
    cap = compute_cap(state.history.spool, dryer)
    cautions = []
    if planned.set_point_c > cap.cap_c:
        cautions.append(Statement("drying.planned_too_hot", {"reason": cap.reason.as_data()}))
    elif planned.stages[0][0] > cap.start_c:
        cautions.append(Statement("drying.planned_too_hot", {"reason": cap.start_reason.as_data()}))
    slot = dryers.find_planned_slot(planned)
    drying = AdvisedDrying(
        dryer_id=dryer.pk,
        dryer=str(dryer),
        stages=list(planned.stages),
        hours=planned.hours,
        starts_at=slot.start,
        ready_at=slot.start + (planned.end - planned.start),
        waits=slot.waits,
        shares_with=slot.shares_with,
        mass_g=planned.mass_g,
    )
    together = 1 + len(slot.shares_with)
    advice = Advice(PLANNED, planned.target_pct, drying, cautions=cautions, planned=planned.pk)
    return _Dried(state, advice, [dryers.heated_air(dryer, *stage, together) for stage in planned.stages])


def _in_run(run: DryingRun, state: Moisture, dryers: Dryers) -> _Dried:
    """The advice for a spool in a run: when it is dry, and when it must come out, by the time that has elapsed."""
    at, dry_at, used_up_at = dryers.at, dryers.dry_at[run.pk], heat_budget.used_up_at(run, dryers.at)
    ready_at = None if dry_at is None else max(dry_at, run.planned_end)
    takes_too_long = used_up_at is not None and (dry_at is None or used_up_at < dry_at)
    too_hot = used_up_at is not None and used_up_at < (ready_at or at)
    cautions = []
    if used_up_at is not None and used_up_at <= at:
        cautions.append(Statement("drying.heat_is_used_up", {"since": used_up_at.isoformat()}))
    elif used_up_at is not None and (takes_too_long or too_hot):
        cautions.append(Statement("drying.take_out_by", {"by": used_up_at.isoformat()}))
    if dry_at is None:
        cautions.append(Statement("drying.never_dry", {"target_pct": run.target_pct}))
    elif needed_until(run, dry_at, at) is not None and not takes_too_long:
        cautions.append(Statement("drying.leave_in_until", {"until": dry_at.isoformat()}))
    if takes_too_long:
        ready_at = None
    drying = AdvisedDrying(
        dryer_id=run.dryer_id,
        dryer=str(run.dryer),
        stages=list(run.planned_stages),
        hours=run.planned_hours,
        starts_at=run.start,
        ready_at=ready_at,
        waits=[],
        shares_with=[],
        mass_g=run.mass_g,
    )
    advice = Advice(IN_RUN, run.target_pct, drying, cautions=cautions, run=run.pk, take_out_by=used_up_at)
    stages = [] if ready_at is None else stages_ahead(run, at, max(ready_at, at))
    together = len(dryers.runs_in(run.dryer))
    return _Dried(state, advice, [dryers.heated_air(run.dryer, *stage, together) for stage in stages])


def _add_times_after(dried: list[_Dried], dryers: Dryers) -> dict[int, Advice]:
    """The advice by spool id, with the hours that each spool prints well and stays printable after its drying."""
    reaching = [
        item for item in dried if item.advice.drying is not None and item.advice.drying.ready_at is not None
    ]
    windings = advance_windings([(item.state.winding, item.airs) for item in reaching])
    lanes, places = [], []
    for item, winding in zip(reaching, windings, strict=True):
        place, airs = _airs_after(item.state, winding, dryers)
        places.append(place)
        lanes.append((item.state.history.spool, winding, [airs]))
    advice = {item.state.history.spool.pk: item.advice for item in dried}
    masses_g = [item.advice.mass_g or SMALL_JOB_G for item in reaching]
    after = forecast_through_airs(lanes, masses_g, len(AFTER_H))
    for item, place, [contents] in zip(reaching, places, after, strict=True):
        spool = item.state.history.spool
        well_h, printable_h = cross_limits(spool, contents)
        advice[spool.pk] = replace(
            item.advice,
            place=place,
            well_h=_round(well_h),
            printable_h=_round(printable_h),
            course=_describe_course(item, contents, dryers.at),
        )
    return advice


def _describe_course(item: _Dried, after: Array, now: datetime) -> list[MoistureAhead]:
    """after: the moisture ahead after the drying. A stage is followed at the quarters of its hours."""
    drying, winding, course = item.advice.drying, item.state.winding, []
    assert drying is not None and drying.starts_at is not None and drying.ready_at is not None
    mass_g, at = item.advice.mass_g or SMALL_JOB_G, max(now, drying.starts_at)
    limits_pct = limits_of(item.state.history.spool)
    for air in item.airs:
        hours = [air.hours * quarter / QUARTERS for quarter in range(1, QUARTERS + 1)]
        (contents,) = forecast_wetting(winding, [air], mass_g, limits_pct, hours, [1 + QUARTERS])
        course += _with_times(at, [0.0, *hours[:-1]], contents)
        (winding,) = advance_windings([(winding, [air])])
        at += timedelta(hours=air.hours)
    return course + _with_times(drying.ready_at, AFTER_H, after)


def _with_times(since: datetime, hours: Sequence[float], contents: Array) -> list[MoistureAhead]:
    """contents: (probes, members), %; at least one for each of the hours."""
    bands = Interval.from_rows(contents[: len(hours)])
    return [
        MoistureAhead(since + timedelta(hours=h), *(round(number, 4) for number in band))
        for h, band in zip(hours, bands, strict=True)
    ]


def _round(hours: float | None) -> float | None:
    return None if hours is None else round(hours, 1)


def _airs_after(state: Moisture, winding: Winding, dryers: Dryers) -> tuple[str, list[ConstantAir]]:
    """The place and airs of a spool after its drying: those of now; after a run those of the driest storage."""
    spool, segment = state.history.spool, state.history.segment_at(state.at)
    if state.history.current_place is None or segment is None or segment.place.kind == Place.Kind.DRYER:
        storage = choose_driest(dryers.storages, spool, winding)
        if storage is None:
            return "", [ConstantAir(0.0, START_C, 50.0)]
        return str(storage.place), storage.airs(spool, winding)
    if is_complete(segment.place) or is_computed_bag(segment.place):
        # It comes back into a bag that is closed anew, or into the box as it is then.
        storage = next(storage for storage in dryers.storages if storage.place == segment.place)
        return str(storage.place), storage.airs(spool, winding)
    return str(segment.place), [segment.constant_air()]
