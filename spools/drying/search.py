"""The search for drying options: set points and stages to compare, their hours, and the best of them."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from enum import Enum

from spools.air.climate import Climate, heated_rh_pct
from spools.catalogue.values import material_values
from spools.drying import heat_budget, softening
from spools.drying.caps import Cap, compute_cap, may_join, require_below_cap, suggested_set_point_c
from spools.drying.gate import FirstStage, require_set_point
from spools.drying.heat_budget import Stage
from spools.drying.options import (
    DRYING_PROBE_HOURS,
    IN_HAND_H,
    LEAST_C,
    LIKELY,
    LONGEST_USUAL_H,
    STEP_K,
    WET_START_H,
    WET_START_K,
    PlanRequest,
)
from spools.models import DryingRun, Place, Spool, Stay
from spools.moisture.state import Moisture
from spools.physics_inputs import DOUBT, ConstantAir, Interval, Winding, advance_windings, hours_until


class FirstStageReason(Enum):
    """The reason of a first stage."""

    SOFT = "water softens the polymer; the stage lasts until it is hard at the set point"
    WET = "a wet amorphous spool starts cooler"
    SHARED = "the dryer is in this stage already"


@dataclass
class Draft:
    """An option for all spools of a load while its hours are computed; the lists follow the load's spools."""

    set_point_c: float
    first_c: float | None = None
    first_hours: float | None = None
    first_reason: FirstStageReason | None = None
    possible: bool = True
    hours: list[float | None] = field(default_factory=list)
    floors_pct: list[float] = field(default_factory=list)
    floored: list[bool] = field(default_factory=list)
    dried: list[Winding] = field(default_factory=list)

    @property
    def first(self) -> FirstStage | None:
        if self.first_c is None or self.first_hours is None:
            return None
        return FirstStage(self.first_c, self.first_hours)

    @property
    def total(self) -> float | None:
        """Hours until all of the load are dry; None when one never is."""
        known = [hours for hours in self.hours if hours is not None]
        return max(known) if len(known) == len(self.hours) else None

    def stages(self, hours: float) -> list[Stage]:
        first = self.first
        if first is None:
            return [(self.set_point_c, hours)]
        return [(first.set_point_c, first.hours), (self.set_point_c, max(0.0, hours - first.hours))]


@dataclass
class DryerLoad:
    """Spools that are to go into a dryer together, their inputs, and the drafts of their options.

    beside: the runs in the dryer. runs: all open runs of the shop. idle: stays in dryers without a run.
    asked: whether a set point was asked for; it is that of the first draft.
    """

    spools: Sequence[Spool]
    dryer: Place
    beside: list[DryingRun]
    caps: list[Cap]
    room: Climate
    states: list[Moisture]
    targets_pct: list[float]
    runs: list[DryingRun]
    idle: list[Stay]
    at: datetime
    drafts: list[Draft] = field(default_factory=list)
    asked: bool = False

    def heated_air(self, celsius: float, hours: float = 0.0) -> ConstantAir:
        """The air of the room, heated in the dryer."""
        rh_pct = heated_rh_pct(self.room.temperature_c, self.room.rh_pct, celsius)
        return ConstantAir(hours, celsius, rh_pct, True)

    def softened(self, draft: Draft) -> list[int]:
        """The numbers of the spools that water may soften at a draft's set point."""
        hardest_c = min(cap.start_c for cap in self.caps)
        if not (self.asked and draft is self.drafts[0]):
            hardest_c -= self.dryer.set_point_error_c
        if draft.set_point_c <= hardest_c:
            return []
        return [n for n, spool in enumerate(self.spools) if compute_cap(spool, self.dryer).two_stages]

    def run_shares(self, draft: Draft) -> list[float]:
        """The share of one run's heat budget that a draft uses, for each spool."""
        return [
            heat_budget.run_share(spool, draft.stages(hours or 0.0)) or 0.0
            for spool, hours in zip(self.spools, draft.hours, strict=True)
        ]


def add_drafts(load: DryerLoad, request: PlanRequest, at: datetime | None) -> None:
    """Adds the drafts to compare: the usual one first, or the one asked for.

    Refused: a set point above a cap, or one that the dryer cannot have at that time.
    """
    set_point_c = request.set_point_c
    if set_point_c is not None:
        require_below_cap(load.caps, set_point_c)
        load.asked = True
    joined = _joining_draft(load, set_point_c)
    if joined is not None:
        load.drafts = [joined]
        return
    if load.beside and set_point_c is not None:
        require_set_point(load.spools, load.dryer, set_point_c, at=at)
    everyone = [*load.spools, *(run.spool for run in load.beside)]
    usual_c = min(suggested_set_point_c(spool, load.dryer, everyone) for spool in load.spools)
    start_c = math.floor(min(cap.start_c for cap in load.caps) - load.dryer.set_point_error_c)
    set_points = _set_points(load, usual_c, start_c)
    if set_point_c is not None:
        set_points = [set_point_c, *(celsius for celsius in set_points if celsius != set_point_c)]
    load.drafts = [Draft(float(celsius)) for celsius in set_points]
    _add_first_stages(load, request, usual_c, start_c)


def _joining_draft(load: DryerLoad, set_point_c: float | None) -> Draft | None:
    """The stages of the run in the dryer, from now on; None where the load cannot or is not to join it."""
    run = load.beside[0] if load.beside else None
    if run is None or set_point_c not in (None, run.set_point_c):
        return None
    if not all(may_join(cap, run, load.at) for cap in load.caps):
        return None
    draft = Draft(run.set_point_c)
    if run.change_at is not None and run.change_at > load.at:
        draft.first_c = run.first_set_point_c
        draft.first_hours = (run.change_at - load.at) / timedelta(hours=1)
        draft.first_reason = FirstStageReason.SHARED
    return draft


def _set_points(load: DryerLoad, usual_c: float, start_c: int) -> list[float]:
    """The usual set point, and others in steps; start_c: the hottest that a run may start at, less the error."""
    highest_c = math.floor(min(cap.cap_c for cap in load.caps) - load.dryer.set_point_error_c)
    if highest_c > start_c:
        return [usual_c, *range(start_c + STEP_K, highest_c, STEP_K), highest_c]
    if highest_c > usual_c:
        return [usual_c, highest_c]
    cooler_c = usual_c - 2 * STEP_K
    return [usual_c, cooler_c] if cooler_c >= LEAST_C else [usual_c]


def _add_first_stages(load: DryerLoad, request: PlanRequest, usual_c: float, start_c: int) -> None:
    """Gives drafts a cooler first stage where a spool is wet and amorphous, or softened by water."""
    wet = any(
        _starts_cooler(spool, state, request) for spool, state in zip(load.spools, load.states, strict=True)
    )
    for draft in load.drafts:
        cooler_c = draft.set_point_c - WET_START_K
        if wet and draft.set_point_c > usual_c - WET_START_K and cooler_c >= LEAST_C:
            draft.first_c, draft.first_hours = cooler_c, WET_START_H
            draft.first_reason = FirstStageReason.WET
        if load.softened(draft):
            draft.first_c = min(float(start_c), draft.first_c or start_c)
            draft.first_hours, draft.first_reason = None, FirstStageReason.SOFT


def _starts_cooler(spool: Spool, state: Moisture, request: PlanRequest) -> bool:
    """Whether an amorphous spool is likely wet: the turns that are needed are likely over the print limit."""
    limit_pct = material_values(spool.feedstock).limit_hold_pct
    amorphous = spool.feedstock.polymer.kind.startswith("amorphous")
    return amorphous and state.probability_over(limit_pct, request.mass_g) > LIKELY


def compute_first_stages(loads: Sequence[DryerLoad]) -> None:
    """Sets the hours of first stages, until all spools are hard at the set point; else a draft is impossible."""
    rows = [
        (load, draft, n)
        for load in loads
        for draft in load.drafts
        if draft.first_reason in (FirstStageReason.SOFT, FirstStageReason.SHARED)
        for n in load.softened(draft)
    ]
    needed = softening.first_stage_hours(
        [
            (load.spools[n], load.states[n].winding, load.heated_air(draft.first_c or 0.0))
            for load, draft, n in rows
        ],
        [draft.set_point_c + load.dryer.set_point_error_c for load, draft, _ in rows],
    )
    for (_, draft, _), hours in zip(rows, needed, strict=True):
        shared = draft.first_reason is FirstStageReason.SHARED
        if hours is None or (shared and hours > (draft.first_hours or 0.0)):
            draft.possible = False
        elif not shared:
            draft.first_hours = max(draft.first_hours or 0.0, round_up_quarters(hours) + IN_HAND_H)
    for _, draft, _ in rows:
        if not draft.possible and draft.first_reason is FirstStageReason.SOFT:
            draft.first_c = draft.first_hours = None


def round_up_quarters(hours: float) -> float:
    """Hours rounded up to a quarter."""
    return math.ceil(hours * 4) / 4


def compute_hours(loads: Sequence[DryerLoad], request: PlanRequest) -> None:
    """Sets the hours of each spool in each draft, and the windings after the hours of the whole load."""
    rows = [(load, draft, n) for load in loads for draft in load.drafts for n in range(len(load.spools))]
    started = advance_windings(
        [
            (load.states[n].winding, [load.heated_air(*draft.first)] if draft.first else [])
            for load, draft, n in rows
        ]
    )
    targets_pct = [load.targets_pct[n] for load, _, n in rows]
    already = [
        bool((load.states[n].winding.outer_pct(request.mass_g) > load.targets_pct[n]).mean() <= DOUBT)
        for load, _, n in rows
    ]
    airs = [load.heated_air(draft.set_point_c) for load, draft, _ in rows]
    needed = hours_until(
        list(zip(started, airs, strict=True)), targets_pct, request.mass_g, DRYING_PROBE_HOURS, below=True
    )
    for (load, draft, n), exact, dry, air in zip(rows, needed, already, airs, strict=True):
        hours = None if exact is None or not draft.possible else round_up_quarters(exact)
        if hours is not None and draft.first is not None:
            hours = draft.first.hours + max(hours, IN_HAND_H)
        draft.hours.append(0.0 if dry else hours)
        floors_pct = load.states[n].winding.floor_pct(air.rh_pct)
        draft.floors_pct.append(Interval.from_members(floors_pct).p50)
        draft.floored.append(bool((floors_pct > load.targets_pct[n]).mean() > DOUBT))
    dried = advance_windings(
        [
            (winding, [air._replace(hours=_last_stage_hours(draft))])
            for winding, air, (_, draft, _) in zip(started, airs, rows, strict=True)
        ]
    )
    for (_, draft, _), winding in zip(rows, dried, strict=True):
        draft.dried.append(winding)


def _last_stage_hours(draft: Draft) -> float:
    if draft.total is None:
        return DRYING_PROBE_HOURS[-1]
    return draft.stages(draft.total)[-1][1]


def choose_draft(load: DryerLoad) -> Draft:
    """The set point asked for or the usual one; another where that never suffices, takes a day or is too hot.

    The quickest of those that keep to one run's heat budget, if there are any.
    """
    usual = load.drafts[0]
    quick = usual.total is not None and usual.total <= LONGEST_USUAL_H
    if load.asked or (quick and max(load.run_shares(usual)) <= heat_budget.ALL):
        return usual
    possible = [draft for draft in load.drafts if draft.possible] or [usual]
    reaching = [draft for draft in possible if draft.total is not None]
    if not reaching:
        return max(possible, key=lambda draft: draft.set_point_c)
    gentle = [draft for draft in reaching if max(load.run_shares(draft)) <= heat_budget.ALL]
    return min(gentle or reaching, key=lambda draft: (draft.total, draft.set_point_c))
