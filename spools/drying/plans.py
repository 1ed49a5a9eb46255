"""Drying plans: at which set points, in which stages, for how long, and how long it stays good afterwards."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

from django.core.exceptions import ValidationError
from django.utils import timezone

from spools import limits
from spools.air.climate import Climate, climates_now, heated_rh_pct, room_airs
from spools.catalogue.values import material_values
from spools.checks import require_within
from spools.drying import heat_budget, softening
from spools.drying.caps import Cap, compute_cap, may_join, require_below_cap, suggested_set_point_c
from spools.drying.gate import (
    FirstStage,
    open_runs,
    require_dryer,
    require_set_point,
    stays_without_run,
    why_not_now,
)
from spools.drying.heat_budget import Heat, Stage
from spools.drying.runs import default_target_pct
from spools.models import DryingRun, Place, Spool, Stay
from spools.moisture.state import Moisture, moisture_of
from spools.physics_inputs import (
    DOUBT,
    SMALL_JOB_G,
    ConstantAir,
    Interval,
    Winding,
    advance_windings,
    hours_until,
)

DRYING_LOOKS_H = (0.5, 1, 1.5, 2, 3, 4, 5, 6, 8, 10, 12, 15, 18, 21, 24, 30, 36, 42, 48, 60, 72)
KEEPING_LOOKS_H = (1, 2, 4, 8, 12, 24, 48, 96, 168, 336, 720, 1440)
# What drying is for: to print well, or the stricter limit for parts that bear load.
WELL, STRONG = "well", "strong"
GOALS = {WELL: "prints well", STRONG: "strong parts"}
# A usual set point that takes longer gives way to a quicker one.
LONGEST_USUAL_H = 24.0
# A wet amorphous spool starts so much cooler, for so long (fixtures/reference/README.md).
WET_START_K, WET_START_H = 10.0, 2.0
LIKELY = 0.5
# Set points that are compared lie so far apart.
STEP_K = 5
# Cooler than this, air is hardly drier than in the room. Common practice, no source.
LEAST_C = 30.0
# Hours are planned in quarters and the band is wider than this: so much later is what was planned.
NEARLY = timedelta(minutes=30)
# The plan for a first stage keeps this in hand, so that a start some time after it still passes.
IN_HAND_H = 0.25


@dataclass(frozen=True)
class Option:
    """One way to dry that was compared: its stages, hours in all (None: not enough), and its price.

    run_share: of the budget of hot air for one run; None where none is published or the hours never suffice.
    """

    set_point_c: float
    first: FirstStage | None
    hours: float | None
    floor_pct: float
    run_share: float | None
    recommended: bool
    why: str

    @property
    def stages(self) -> list[tuple[float, float | None]]:
        """(set point in °C, hours) of each stage; the last one's hours are None when never enough."""
        if self.first is None:
            return [(self.set_point_c, self.hours)]
        rest = None if self.hours is None else self.hours - self.first.hours
        return [(self.first.set_point_c, self.first.hours), (self.set_point_c, rest)]


@dataclass(frozen=True)
class Plan:
    """Drying a spool in a dryer.

    hours and ready_at are None when the target cannot be reached there; reason says why, or what to expect.
    floor_pct: the moisture that this air leaves after any time (the median of what is thought possible).
    stays_good: for each place of the shop, hours until the turns needed may be over the print limit again;
    None for more than 60 days. ways: what was compared, the recommended one first. heat: what it has had of
    dryers; life_share: of its budget for life after this plan. notes: what else to know. blocked: why it
    cannot start so now (then there is no ready_at); empty when it can.
    """

    way: Option
    cap: Cap
    reason: str
    ready_at: datetime | None
    target_pct: float
    stays_good: list[tuple[Place, float | None]]
    ways: list[Option]
    heat: Heat
    life_share: float | None
    notes: list[str]
    blocked: str

    @property
    def set_point_c(self) -> float:
        """Of the last stage."""
        return self.way.set_point_c

    @property
    def first(self) -> FirstStage | None:
        return self.way.first

    @property
    def hours(self) -> float | None:
        return self.way.hours

    @property
    def reachable(self) -> bool:
        return self.way.hours is not None

    @property
    def floor_pct(self) -> float:
        return self.way.floor_pct

    @property
    def stages(self) -> list[tuple[float, float | None]]:
        return self.way.stages

    @property
    def rest_hours(self) -> float | None:
        """Of the last stage."""
        return self.stages[-1][1]


@dataclass(frozen=True)
class PlanRequest:
    """What a plan is asked for: how hot (None: the best), which turns (None: all), how dry."""

    set_point_c: float | None = None
    mass_g: float | None = None
    target_pct: float | None = None
    goal: str = WELL

    def __post_init__(self) -> None:
        if self.mass_g is not None:
            require_within("mass_g", self.mass_g, *limits.NEEDED_G)
        if self.target_pct is not None:
            require_within("target_pct", self.target_pct, *limits.TARGET_PCT)
        if self.goal not in GOALS:
            raise ValidationError({"goal": f"Give one of {', '.join(GOALS)}."})
        if self.goal != WELL and self.target_pct is not None:
            raise ValidationError({"target_pct": "Give a goal or a target of your own, not both."})

    def target_of(self, spool: Spool) -> float:
        """The moisture to reach, %."""
        if self.target_pct is not None:
            return self.target_pct
        if self.goal == WELL:
            return default_target_pct(spool)
        limit_pct = strong_limit_pct(spool)
        if limit_pct is None:
            raise ValidationError(
                {
                    "goal": f"For {spool.feedstock.polymer} no limit for strong parts is published. "
                    "Plan for printing well."
                }
            )
        return limit_pct


def strong_limit_pct(spool: Spool) -> float | None:
    """The published limit for melt processing, %, where the polymer has one."""
    return material_values(spool.feedstock).moulding_limit_pct


def plan_drying(
    spool: Spool,
    dryer: Place,
    *,
    set_point_c: float | None = None,
    mass_g: float | None = None,
    target_pct: float | None = None,
    goal: str = WELL,
    at: datetime | None = None,
) -> Plan:
    """How to dry a spool, from its state at ``at``, until probably all that is needed is dry enough.

    mass_g: the outermost grams that a job needs; without it the whole spool. target_pct: without it what
    the goal takes. Without a set point: what the dryer does now, if the cap allows, or the best of a few.
    Raises ValidationError for what is no dryer, and for a set point above the cap.
    """
    (plan,) = plan_each([(spool, dryer)], PlanRequest(set_point_c, mass_g, target_pct, goal), at=at)
    return plan


def plan_each(
    pairs: Sequence[tuple[Spool, Place]], wish: PlanRequest | None = None, *, at: datetime | None = None
) -> list[Plan]:
    """plan_drying for many pairs, in as few queries as for one (one more a pair with a set point)."""
    alone = [([spool], dryer) for spool, dryer in pairs]
    return [plan for _, (plan,) in _plans(alone, wish or PlanRequest(), at)]


@dataclass(frozen=True)
class BatchPlan:
    """Spools that go into a dryer together: one plan each, with the stages that all of them have.

    hours: until all are dry, None when one never is. setter: the spool whose cap is the lowest. ways: what
    was compared, with the hours for all.
    without_setter: the most that the others may have without it, None when it is alone or nothing changes.
    """

    plans: list[tuple[Spool, Plan]]
    set_point_c: float
    first: FirstStage | None
    hours: float | None
    cap: Cap
    setter: Spool
    without_setter: float | None
    ways: list[Option]

    @property
    def stages(self) -> list[tuple[float, float | None]]:
        return self.ways[0].stages

    @property
    def early(self) -> list[tuple[Spool, float]]:
        """Spools that are dry some time before the last one, the first of them first, with their hours."""
        done = [(spool, plan.hours) for spool, plan in self.plans if plan.hours is not None]
        return sorted(
            [(spool, hours) for spool, hours in done if self.hours is None or hours < self.hours],
            key=lambda row: row[1],
        )


def plan_together(
    spools: Sequence[Spool], dryer: Place, wish: PlanRequest | None = None, *, at: datetime | None = None
) -> BatchPlan:
    """How to dry several spools in a dryer at once, beside those that are in it.

    Raises ValidationError as plan_drying does, and where they cannot go in now.
    """
    wish = wish or PlanRequest()
    ((group, plans),) = _plans([(spools, dryer)], wish, at)
    inside = [run.spool for run in group.beside]
    require_set_point(spools, dryer, plans[0].set_point_c, first=plans[0].first, at=at)
    setter = limiting_spool(spools, dryer, inside)
    others = [spool for spool in spools if spool.pk != setter.pk]
    without = None
    if len(others) == len(spools) - 1 and others:
        limit_c = min(compute_cap(spool, dryer, others, inside=inside).cap_c for spool in others)
        without = limit_c if limit_c > plans[0].cap.cap_c else None
    return BatchPlan(
        list(zip(spools, plans, strict=True)),
        plans[0].set_point_c,
        plans[0].first,
        _joint([plan.way for plan in plans]).hours,
        compute_cap(setter, dryer),
        setter,
        without,
        [_joint(each_way) for each_way in zip(*(plan.ways for plan in plans), strict=True)],
    )


def _joint(ways: Sequence[Option]) -> Option:
    """One way for several spools: the hours until all are dry, and the highest share of a budget."""
    hours = [way.hours for way in ways if way.hours is not None]
    shares = [way.run_share for way in ways if way.run_share is not None]
    never = len(hours) < len(ways)
    return replace(
        ways[0],
        hours=None if never else max(hours),
        floor_pct=max(way.floor_pct for way in ways),
        run_share=None if never else max(shares, default=None),
    )


def limiting_spool(spools: Sequence[Spool], dryer: Place, inside: Sequence[Spool]) -> Spool:
    """Of all these the spool that sets the cap."""
    caps = [(compute_cap(spool, dryer), spool) for spool in [*spools, *inside]]
    return min(caps, key=lambda row: (row[0].cap_c, row[0].start_c))[1]


@dataclass
class _Draft:
    """A way that is being worked out for a group of spools; its first hours may still have to be found."""

    set_point_c: float
    first_c: float | None = None
    first_hours: float | None = None
    # "" without a first stage, "soft" until all stand the set point, "wet" or "shared" for a given time.
    first_why: str = ""
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
        """Hours until all of the group are dry."""
        known = [hours for hours in self.hours if hours is not None]
        return max(known) if len(known) == len(self.hours) else None

    def stages(self, hours: float) -> list[Stage]:
        first = self.first
        if first is None:
            return [(self.set_point_c, hours)]
        return [(first.set_point_c, first.hours), (self.set_point_c, max(0.0, hours - first.hours))]


@dataclass
class _Group:
    """Spools that are to go into a dryer together, with what is known of them; the drafts of their ways."""

    spools: Sequence[Spool]
    dryer: Place
    beside: list[DryingRun]
    caps: list[Cap]
    room: Climate
    states: list[Moisture]
    targets_pct: list[float]
    # What is in the dryers of the shop at the time of the plan.
    runs: list[DryingRun]
    stand: list[Stay]
    when: datetime
    drafts: list[_Draft] = field(default_factory=list)
    asked: bool = False

    def air(self, celsius: float, hours: float = 0.0) -> ConstantAir:
        rh_pct = heated_rh_pct(self.room.temperature_c, self.room.rh_pct, celsius)
        return ConstantAir(hours, celsius, rh_pct, True)

    def soft(self, draft: _Draft) -> list[int]:
        """Which of the spools water may soften at a draft's set point; none below what a start may have."""
        least_c = min(own.start_c for own in self.caps)
        if not (self.asked and draft is self.drafts[0]):
            least_c -= self.dryer.set_point_error_c
        if draft.set_point_c <= least_c:
            return []
        return [n for n, spool in enumerate(self.spools) if compute_cap(spool, self.dryer).two_stages]


def _plans(
    asked: Sequence[tuple[Sequence[Spool], Place]], wish: PlanRequest, at: datetime | None
) -> list[tuple["_Group", list[Plan]]]:
    """Each group with a plan for each of its spools; all that the physics has to do is done in four calls."""
    for _, dryer in asked:
        require_dryer(dryer)
    runs = list(open_runs())
    when = at or timezone.now()
    stand = stays_without_run([dryer for _, dryer in asked], when)
    rooms = room_airs([dryer for _, dryer in asked], at)
    states = moisture_of({spool.pk: spool for spools, _ in asked for spool in spools}.values(), at)
    groups = []
    for spools, dryer in asked:
        beside = [run for run in runs if run.dryer_id == dryer.pk and run.spool_id not in _ids(spools)]
        group = _Group(
            spools,
            dryer,
            beside,
            [compute_cap(spool, dryer, spools, inside=[run.spool for run in beside]) for spool in spools],
            rooms[dryer.pk],
            [states[spool.pk] for spool in spools],
            [wish.target_of(spool) for spool in spools],
            runs,
            stand,
            when,
        )
        _draft(group, wish, at)
        groups.append(group)
    _find_first_hours(groups)
    _find_hours(groups, wish)
    chosen = [_best(group) for group in groups]
    stays_good = iter(
        _stay_good(
            [spool for group in groups for spool in group.spools],
            [winding for draft in chosen for winding in draft.dried],
            wish.mass_g,
        )
    )
    return [
        (group, [_plan(group, draft, n, next(stays_good), wish) for n in range(len(group.spools))])
        for group, draft in zip(groups, chosen, strict=True)
    ]


def _ids(spools: Sequence[Spool]) -> set[int]:
    return {spool.pk for spool in spools}


def _draft(group: _Group, wish: PlanRequest, at: datetime | None) -> None:
    """The ways to compare for a group: the usual one first, or only the one asked for."""
    spools, dryer, beside, when = group.spools, group.dryer, group.beside, group.when
    joins = bool(beside) and all(may_join(own, beside[0], when) for own in group.caps)
    if wish.set_point_c is not None:
        require_below_cap(group.caps, wish.set_point_c)
        group.asked = True
    if joins and wish.set_point_c in (None, beside[0].set_point_c):
        change = beside[0].change_at
        left = None if change is None or change <= when else (change - when) / timedelta(hours=1)
        draft = _Draft(beside[0].set_point_c)
        if left is not None:
            draft.first_c, draft.first_hours, draft.first_why = beside[0].first_set_point_c, left, "shared"
        group.drafts = [draft]
        return
    if beside and wish.set_point_c is not None:
        require_set_point(spools, dryer, wish.set_point_c, at=at)
    everyone = [*spools, *(run.spool for run in beside)]
    usual_c = min(suggested_set_point_c(spool, dryer, everyone) for spool in spools)
    error_k = dryer.set_point_error_c
    highest_c = math.floor(min(own.cap_c for own in group.caps) - error_k)
    start_c = math.floor(min(own.start_c for own in group.caps) - error_k)
    if highest_c > start_c:
        others = [*range(start_c + STEP_K, highest_c, STEP_K), highest_c]
    elif highest_c > usual_c:
        others = [highest_c]
    else:
        others = [usual_c - 2 * STEP_K] if usual_c - 2 * STEP_K >= LEAST_C else []
    set_points = [usual_c, *others]
    if wish.set_point_c is not None:
        set_points = [wish.set_point_c, *(celsius for celsius in set_points if celsius != wish.set_point_c)]
    group.drafts = [_Draft(float(celsius)) for celsius in set_points]
    wet = any(_starts_cooler(*one, wish) for one in zip(spools, group.states, strict=True))
    for draft in group.drafts:
        cooler_c = draft.set_point_c - WET_START_K
        if wet and draft.set_point_c > usual_c - WET_START_K and cooler_c >= LEAST_C:
            draft.first_c, draft.first_hours, draft.first_why = cooler_c, WET_START_H, "wet"
        if group.soft(draft):
            draft.first_c = min(float(start_c), draft.first_c or start_c)
            draft.first_hours, draft.first_why = None, "soft"


def _starts_cooler(spool: Spool, state: Moisture, wish: PlanRequest) -> bool:
    """Whether it is an amorphous spool that is judged wet: what is needed of it is likely over its limit."""
    amorphous = spool.feedstock.polymer.kind.startswith("amorphous")
    return (
        amorphous
        and state.probability_over(material_values(spool.feedstock).limit_hold_pct, wish.mass_g) > LIKELY
    )


def _find_first_hours(groups: Sequence[_Group]) -> None:
    """How long the first stages must last before all stand the set point; drafts without are impossible."""
    wanted = [
        (group, draft, n)
        for group in groups
        for draft in group.drafts
        if draft.first_why in ("soft", "shared")
        for n in group.soft(draft)
    ]
    found = softening.first_stage_hours(
        [
            (group.spools[n], group.states[n].winding, group.air(draft.first_c or 0.0))
            for group, draft, n in wanted
        ],
        [draft.set_point_c + group.dryer.set_point_error_c for group, draft, _ in wanted],
    )
    for (_, draft, _), hours in zip(wanted, found, strict=True):
        if hours is None or (draft.first_why == "shared" and hours > (draft.first_hours or 0.0)):
            draft.possible = False
        elif draft.first_why == "soft":
            draft.first_hours = max(draft.first_hours or 0.0, _quarters(hours) + IN_HAND_H)
    for _, draft, _ in wanted:
        if not draft.possible and draft.first_why == "soft":
            draft.first_c = draft.first_hours = None


def _quarters(hours: float) -> float:
    return math.ceil(hours * 4) / 4


def _find_hours(groups: Sequence[_Group], wish: PlanRequest) -> None:
    """The hours of each spool of each draft, and the windings after as long as the whole group takes."""
    rows = [(group, draft, n) for group in groups for draft in group.drafts for n in range(len(group.spools))]
    started = advance_windings(
        [
            (group.states[n].winding, [group.air(*draft.first)] if draft.first else [])
            for group, draft, n in rows
        ]
    )
    targets_pct = [group.targets_pct[n] for group, _, n in rows]
    already = [
        bool((group.states[n].winding.outer_pct(wish.mass_g) > group.targets_pct[n]).mean() <= DOUBT)
        for group, _, n in rows
    ]
    hot = [group.air(draft.set_point_c) for group, draft, _ in rows]
    found = hours_until(
        list(zip(started, hot, strict=True)), targets_pct, wish.mass_g, DRYING_LOOKS_H, below=True
    )
    for (group, draft, n), exact, dry, air in zip(rows, found, already, hot, strict=True):
        hours = None if exact is None or not draft.possible else _quarters(exact)
        if hours is not None and draft.first is not None:
            hours = draft.first.hours + max(hours, IN_HAND_H)
        draft.hours.append(0.0 if dry else hours)
        floors_pct = group.states[n].winding.floor_pct(air.rh_pct)
        draft.floors_pct.append(Interval.from_members(floors_pct).p50)
        draft.floored.append(bool((floors_pct > group.targets_pct[n]).mean() > DOUBT))
    dried = advance_windings(
        [
            (one, [air._replace(hours=_second_hours(draft))])
            for one, air, (_, draft, _) in zip(started, hot, rows, strict=True)
        ]
    )
    for (_, draft, _), winding in zip(rows, dried, strict=True):
        draft.dried.append(winding)


def _second_hours(draft: _Draft) -> float:
    if draft.total is None:
        return DRYING_LOOKS_H[-1]
    return draft.stages(draft.total)[-1][1]


def _best(group: _Group) -> _Draft:
    """The way asked for or the usual one; another where that never suffices, takes a day or too much heat.

    The quickest of those that keep to one run's budget of heat, if there are any.
    """
    usual = group.drafts[0]
    quick = usual.total is not None and usual.total <= LONGEST_USUAL_H
    if group.asked or (quick and max(_run_shares(group, usual)) <= heat_budget.ALL):
        return usual
    possible = [draft for draft in group.drafts if draft.possible] or [usual]
    reached = [draft for draft in possible if draft.total is not None]
    if not reached:
        return max(possible, key=lambda draft: draft.set_point_c)
    gentle = [draft for draft in reached if max(_run_shares(group, draft)) <= heat_budget.ALL]
    return min(gentle or reached, key=lambda draft: (draft.total, draft.set_point_c))


def _run_shares(group: _Group, draft: _Draft) -> list[float]:
    return [
        heat_budget.run_share(spool, draft.stages(hours or 0.0)) or 0.0
        for spool, hours in zip(group.spools, draft.hours, strict=True)
    ]


def _plan(
    group: _Group, draft: _Draft, n: int, stays_good: list[tuple[Place, float | None]], wish: PlanRequest
) -> Plan:
    """What a way that was chosen means for one spool of the group."""
    spool, state = group.spools[n], group.states[n]
    ways = [
        _way(group, one, n, one is draft) for one in [draft, *(o for o in group.drafts if o is not draft)]
    ]
    had = heat_budget.compute_heat(spool, state.history.runs, state.at)
    hours = draft.hours[n]
    blocked = why_not_now(
        group.spools,
        group.caps,
        draft.set_point_c,
        draft.first,
        group.when,
        runs=group.runs,
        idle=group.stand,
        dryer=group.dryer,
    )
    share = heat_budget.life_share(spool, draft.stages(hours or 0.0))
    after = None if share is None or had.life_share is None else had.life_share + share
    return Plan(
        way=ways[0],
        cap=group.caps[n],
        reason=_reason(group, draft, n),
        ready_at=None if hours is None or blocked else state.at + timedelta(hours=hours),
        target_pct=group.targets_pct[n],
        stays_good=stays_good,
        ways=ways,
        heat=had,
        life_share=after,
        notes=_notes(group, draft, n, ways, after, wish),
        blocked=blocked,
    )


def _way(group: _Group, draft: _Draft, n: int, recommended: bool) -> Option:
    hours = draft.hours[n]
    return Option(
        draft.set_point_c,
        draft.first,
        hours,
        draft.floors_pct[n],
        None if hours is None else heat_budget.run_share(group.spools[n], draft.stages(hours)),
        recommended,
        _why(group, draft) if recommended else "" if draft.possible else _too_soft(group, draft),
    )


def _too_soft(group: _Group, draft: _Draft) -> str:
    """Why a way is impossible; at what the cap allows it is the dryer's error that makes it so."""
    error_k = group.dryer.set_point_error_c
    if draft.set_point_c <= min(own.start_c for own in group.caps):
        return f"the dryer may be {error_k:g} K hotter than it shows: too soft for that while wet"
    return "too soft for it while wet"


def _why(group: _Group, draft: _Draft) -> str:
    """Why this way is the one to take."""
    runs_so = [run for run in group.beside if run.set_point_c == draft.set_point_c]
    if draft.first_why == "shared" or runs_so:
        return "what the dryer does now"
    if group.asked:
        return "the set point asked for"
    usual = group.drafts[0]
    if draft is usual:
        return "the usual set point, or the nearest that the caps less the dryer's error allow"
    if draft.total is None:
        return "the hottest that the caps less the dryer's error allow, and still not enough"
    if usual.total is None:
        return f"at {usual.set_point_c:g} °C it never suffices"
    if usual.total <= LONGEST_USUAL_H:
        return f"the usual {usual.set_point_c:g} °C would be too much heat for one run"
    return f"{usual.set_point_c:g} °C would take {usual.total:g} h, more than a day"


def _reason(group: _Group, draft: _Draft, n: int) -> str:
    hours, target_pct = draft.hours[n], group.targets_pct[n]
    celsius, first = draft.set_point_c, draft.first
    if hours == 0:
        return f"Probably below {target_pct:.2g} % already."
    if hours is not None and first is None:
        return f"Probably below {target_pct:.2g} % after {hours:g} h at {celsius:g} °C."
    if hours is not None and first is not None:
        return (
            f"Probably below {target_pct:.2g} % after {hours:.4g} h: {first.hours:.4g} h at "
            f"{first.set_point_c:g} °C, then {hours - first.hours:.4g} h at {celsius:g} °C. "
            f"{_why_first(group, draft)}"
        )
    if not draft.possible:
        return (
            f"Not at {celsius:g} °C: water softens {_softened(group, draft)}, and {softening.LOOKS_H[-1]} h "
            "of a cool first stage do not surely dry it so far that it stands that. Take a lower set point."
        )
    if draft.floored[n]:
        return (
            f"Cannot be reached here: air of {group.room.temperature_c:.0f} °C and {group.room.rh_pct:.0f} % "
            f"RH, heated to {celsius:g} °C, may leave more than {target_pct:.2g} %. Use a drier room, a "
            f"desiccant dryer, or {_hotter(group, draft, 'a dryer and a reel that may run hotter')}."
        )
    return (
        f"Cannot be reached here: {DRYING_LOOKS_H[-1]:g} h at {celsius:g} °C are not enough for "
        f"{target_pct:.2g} %. Dry less of it, or {_hotter(group, draft, 'where it may run hotter')}."
    )


def _hotter(group: _Group, draft: _Draft, elsewhere: str) -> str:
    """Where more heat is to be had: here, as far as the caps less the dryer's error allow, or elsewhere."""
    most_c = math.floor(min(own.start_c for own in group.caps) - group.dryer.set_point_error_c)
    if group.asked and draft.first is None and most_c > draft.set_point_c:
        return f"run it hotter here: up to {most_c:g} °C"
    return elsewhere


def _softened(group: _Group, draft: _Draft) -> str:
    return " and ".join(dict.fromkeys(str(group.spools[n].feedstock.polymer) for n in group.soft(draft)))


def _why_first(group: _Group, draft: _Draft) -> str:
    if draft.first_why == "soft":
        return (
            f"Water softens {_softened(group, draft)}: only after the first stage does it probably stand "
            f"{draft.set_point_c:g} °C, with the dryer's error of {group.dryer.set_point_error_c:g} K."
        )
    if draft.first_why == "shared":
        return "The dryer is in its first stage."
    return "It is likely wet: an amorphous polymer starts cooler then."


def _notes(
    group: _Group, draft: _Draft, n: int, ways: Sequence[Option], life_share: float | None, wish: PlanRequest
) -> list[str]:
    """What else to know of a plan: the goal, the dryer's error, the heat."""
    way = ways[0]
    notes = []
    if wish.goal == STRONG:
        notes.append(
            "The limit for strong parts is published for moulding, with air from a desiccant dryer. Warm "
            f"undried air leaves about {way.floor_pct:.2g} % here."
        )
    error_k = group.dryer.set_point_error_c
    most_c = group.caps[n].start_c if way.first is None else group.caps[n].cap_c
    if draft.possible and way.set_point_c + error_k > most_c:
        notes.append(
            f"The dryer may be {error_k:g} K hotter than it shows, which would be above the cap of "
            f"{most_c:g} °C: measure it, or take {math.floor(most_c - error_k):g} °C."
        )
    if way.run_share is not None and way.run_share > heat_budget.ALL:
        notes.append(_over_budget(way.run_share, ways))
    elif way.run_share is not None and way.run_share >= heat_budget.HALF:
        notes.append(f"It uses {100 * way.run_share:.0f} % of the heat that one run may give a polyamide.")
    if life_share is not None and life_share >= heat_budget.HALF:
        notes.append(
            f"After it {100 * life_share:.0f} % of the heat that it may have in its life would be used."
        )
    if group.spools[n].feedstock.polymer.grade_rate == "D":
        notes.append("How fast this polymer dries is known from memory only: the hours are a rough guess.")
    return notes


def _over_budget(share: float, ways: Sequence[Option]) -> str:
    """That a run would be too long and hot for a polyamide, and what would do instead."""
    say = f"Too much heat for one run: {100 * share:.0f} % of what a polyamide may have in air. "
    gentler = [
        (other.hours, other.set_point_c, other.run_share)
        for other in ways
        if other.hours is not None and other.run_share is not None and other.run_share <= heat_budget.ALL
    ]
    if gentler:
        hours, celsius, share = min(gentler)
        return f"{say}Take {celsius:g} °C for {hours:g} h ({100 * share:.0f} %)."
    return f"{say}Dry only what a job needs, in drier air, or in two runs with dry storage between."


def short_run_caution(plan: Plan, planned_hours: float) -> str:
    """That a run is planned for fewer hours than its plan says; empty when it is not."""
    if plan.hours is None:
        return f"By the plan it does not get below {plan.target_pct:.2g} % so, however long it takes."
    if planned_hours >= plan.hours:
        return ""
    return (
        f"After the planned {planned_hours:g} h it is likely not below {plan.target_pct:.2g} %: the plan "
        f"says {plan.hours:g} h. Leave it in for longer."
    )


def estimate_dry_times(
    drying: Sequence[tuple[DryingRun, Winding]], at: datetime, rooms: dict[int, Climate] | None = None
) -> list[datetime | None]:
    """When each whole spool is probably below the target of its run, from its winding at a time.

    None: it does not get there in the hours that plans look ahead. rooms: the air that each dryer takes in,
    by its id, where the caller has it.
    """
    if not drying:
        return []
    taken_in = room_airs([run.dryer for run, _ in drying], at) if rooms is None else rooms

    def air(run: DryingRun, celsius: float, hours: float) -> ConstantAir:
        room = taken_in[run.dryer_id]
        return ConstantAir(hours, celsius, heated_rh_pct(room.temperature_c, room.rh_pct, celsius), True)

    left_h = [
        max(0.0, (run.change_at - at) / timedelta(hours=1)) if run.change_at else 0.0 for run, _ in drying
    ]
    started = advance_windings(
        [
            (winding, [air(run, run.set_point_at(at), hours)] if hours else [])
            for (run, winding), hours in zip(drying, left_h, strict=True)
        ]
    )
    lanes = [(one, air(run, run.set_point_c, 0.0)) for one, (run, _) in zip(started, drying, strict=True)]
    targets_pct = [run.target_pct for run, _ in drying]
    found = hours_until(lanes, targets_pct, None, DRYING_LOOKS_H, below=True)
    dry = [bool((winding.outer_pct(None) > run.target_pct).mean() <= DOUBT) for run, winding in drying]
    return [
        at if is_dry else None if hours is None else at + timedelta(hours=first_h + _quarters(hours))
        for is_dry, first_h, hours in zip(dry, left_h, found, strict=True)
    ]


def needed_until(run: DryingRun, dry_at: datetime | None, now: datetime) -> datetime | None:
    """When the spool of a run is likely dry where the planned hours leave it too wet; None where they do not.

    dry_at: from estimate_dry_times().
    """
    if dry_at is None or dry_at <= max(now, run.planned_end + NEARLY):
        return None
    return dry_at


def _stay_good(
    spools: Sequence[Spool], dried: Sequence[Winding], mass_g: float | None
) -> list[list[tuple[Place, float | None]]]:
    """For each dried spool: how long it stays good in each place that is no dryer."""
    places = list(Place.objects.exclude(kind=Place.Kind.DRYER))
    climates = climates_now(places)
    airs = {
        place: ConstantAir(0.0, climates[place.pk].temperature_c, climates[place.pk].rh_pct, place.moved_air)
        for place in places
    }
    # Shelves of one room often share their air: one forecast does for all of them.
    different = list(dict.fromkeys(airs.values()))
    limits_pct = [material_values(spool.feedstock).limit_hold_pct for spool in spools for _ in different]
    lanes = [(one, air) for one in dried for air in different]
    outer_g = SMALL_JOB_G if mass_g is None else mass_g
    hours = iter(hours_until(lanes, limits_pct, outer_g, KEEPING_LOOKS_H, below=False))
    told = [{air: next(hours) for air in different} for _ in spools]
    return [[(place, of_air[air]) for place, air in airs.items()] for of_air in told]
