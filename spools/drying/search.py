"""The search for drying options: set points and stages to compare, their hours, and the best of them."""

import itertools
import math
from collections.abc import Hashable, Sequence
from datetime import datetime, timedelta

import numpy as np

from spools.catalogue.values import material_values
from spools.drying import heat_budget, softening
from spools.drying.caps import may_join, require_below_cap, suggested_set_point_c, usual_set_point_c
from spools.drying.drafts import Draft, DryerLoad, FirstStageReason
from spools.drying.gate import require_set_point
from spools.drying.heat_budget import Stage
from spools.drying.options import (
    DRYING_PROBE_HOURS,
    IN_HAND_H,
    LEAST_ABOVE_ROOM_K,
    LEAST_C,
    LIKELY,
    LONGEST_USUAL_H,
    STEP_K,
    WET_START_H,
    WET_START_K,
    PlanRequest,
    round_hours,
)
from spools.models import Spool
from spools.moisture.state import Moisture
from spools.physics_inputs import (
    DOUBT,
    SMALL_JOB_G,
    Winding,
    advance_windings,
    drying_spans,
)

# The share of one run's heat budget that a mix of two set points aims at: what rounding adds must still fit in.
MOST_MIXED = 0.97
# A mix must save a tenth of the hours, or a single set point is simpler. Common practice, no source.
WORTH_MIXING = 0.9
# Hours are computed from look to look; one long step through the same hours dries a little less.
STEP_RESERVE = 1.03
# Turns that have just reached their limit pass it again within minutes. A quarter more of the hours leaves about an hour
# to start their print (docs/decisions/040-wettest-turns.md).
TURNS_RESERVE = 1.25


def counted_mass_g(state: Moisture, target_pct: float, asked_g: float | None) -> float | None:
    """The outermost grams that must get dry: those asked for, else all; where all is dry, those of a small job.

    A spool that is dry inside may have turns outside that took up water since, and these are printed next.
    """
    if asked_g is not None or not is_dry(state.winding, target_pct, None):
        return asked_g
    return SMALL_JOB_G


def outer_g(load: DryerLoad, n: int) -> float | None:
    """The outermost grams of spool n that alone get dry, while its inside stays damp; None: all of it gets dry."""
    if is_dry(load.states[n].winding, load.targets_pct[n], None):
        return None
    return load.masses_g[n]


def is_dry(winding: Winding, target_pct: float, mass_g: float | None) -> bool:
    """Whether the outermost grams of a winding are probably below a target; None: even its wettest turns."""
    members_pct = winding.wettest_pct() if mass_g is None else winding.outer_pct(mass_g)
    return bool(np.count_nonzero(members_pct > target_pct) / len(members_pct) <= DOUBT)


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
    usual_c = _usual_set_point_c(load)
    start_c = math.floor(min(cap.start_hottest_c for cap in load.caps))
    set_points = _set_points(load, usual_c)
    if set_point_c is not None:
        set_points = [set_point_c, *(celsius for celsius in set_points if celsius != set_point_c)]
    load.drafts = [Draft(float(celsius)) for celsius in set_points]
    _add_first_stages(load, request, usual_c, start_c)


def _usual_set_point_c(load: DryerLoad) -> float:
    """The usual set point of all spools of a load, in °C, as if those beside started with them."""
    if not load.beside:
        return min(usual_set_point_c(spool, cap) for spool, cap in zip(load.spools, load.caps, strict=True))
    everyone = [*load.spools, *(run.spool for run in load.beside)]
    return min(suggested_set_point_c(spool, load.dryer, everyone) for spool in load.spools)


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


def _set_points(load: DryerLoad, usual_c: float) -> list[float]:
    """The usual set point, and the others from the lowest useful one to the cap, at most STEP_K apart.

    They are the same in a dryer whose error is smaller, and more: so a better-known dryer is never slower.
    """
    hottest_c = min(cap.hottest_c for cap in load.caps)
    lowest_c = max(LEAST_C, load.room.temperature_c + LEAST_ABOVE_ROOM_K)
    steps = range(STEP_K * math.ceil(lowest_c / STEP_K), math.floor(hottest_c) + 1, STEP_K)
    limits = {math.floor(limit_c) for cap in load.caps for _, limit_c in cap.parts}
    usual = {math.floor(material_values(spool.feedstock).dry_set_c) for spool in load.spools}
    others = {celsius for celsius in {*steps, *limits, *usual} if lowest_c <= celsius <= hottest_c}
    return [usual_c, *sorted(others - {usual_c}, reverse=True)]


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


def compute_drafts(loads: Sequence[DryerLoad], *, all_options: bool) -> None:
    """Sets the hours of the drafts of all loads.

    all_options: also of drafts that cannot change the choice. Like loads, as in two alike dryers, are computed
    once and share their drafts.
    """
    alike: dict[Hashable, DryerLoad] = {}
    for load in [*loads, *(load.stated for load in loads if load.stated is not None)]:
        load.drafts = alike.setdefault(load.key(), load).drafts
    different = list(alike.values())
    _compute([(load, load.drafts[0]) for load in different])
    undecided = [load for load in different if not _is_first_chosen(load)]
    if all_options:
        _compute([(load, draft) for load in different for draft in load.drafts[1:]])
    else:
        for load in undecided:
            _compute_quicker(load)
    _add_mixes(undecided)


def _compute_quicker(load: DryerLoad) -> None:
    """Sets the hours of the drafts that may be quicker than the quickest one that keeps to the heat budget.

    From the hottest on; a drying is followed no longer than the quickest takes. Drafts without hours are slower.
    """
    computed: list[Draft] = []
    quickest_h = float(DRYING_PROBE_HOURS[-1])
    for draft in load.drafts:
        if not draft.hours:
            slow = [other for other in computed if other.total is None or other.total > quickest_h]
            if any(_is_slower(draft, other) for other in slow):
                continue
            _compute([(load, draft)], quickest_h)
        if draft.possible:
            computed.append(draft)
        if draft.total is not None and load.keeps_to_budget(draft):
            quickest_h = min(quickest_h, draft.total)


def _is_slower(draft: Draft, other: Draft) -> bool:
    """Whether a draft dries no sooner than another: it is as the other, and cooler."""
    alike = draft.first_reason is other.first_reason in (None, FirstStageReason.WET)
    return alike and draft.set_point_c < other.set_point_c


def _add_mixes(loads: Sequence[DryerLoad]) -> None:
    """Adds drafts with a cooler first stage where all of it at a set point is too much heat, and 5 K less are slow.

    The last water needs the hotter and drier air, so the cooler stage comes first. Drafts stay that keep to the
    budget and are worth it against the cooler set point alone.
    """
    mixes = [
        (load, hot, cool, mixed)
        for load in loads
        for hot, cool in itertools.pairwise(sorted(load.drafts, key=lambda draft: -draft.set_point_c))
        if (mixed := _mix(load, hot, cool)) is not None
    ]
    _compute_hours([(load, mixed) for load, _, _, mixed in mixes])
    for load, _, cool, mixed in mixes:
        worth_h = WORTH_MIXING * (cool.total or 0.0)
        if mixed.total is not None and mixed.total <= worth_h and load.keeps_to_budget(mixed):
            load.drafts.append(mixed)


def _mix(load: DryerLoad, hot: Draft, cool: Draft) -> Draft | None:
    """A draft of both set points, not computed yet; None unless the hot one alone is too much heat and dries it."""
    if hot.first or cool.first or not hot.total or not cool.total:
        return None
    hot_share, cool_share = (max(load.run_shares(draft)) for draft in (hot, cool))
    if not cool_share <= heat_budget.ALL < hot_share:
        return None
    part = (hot_share - MOST_MIXED) / (hot_share - cool_share)
    first_hours = round_hours(part * cool.total)
    return Draft(hot.set_point_c, cool.set_point_c, first_hours, FirstStageReason.HEAT)


def _compute(drafts: Sequence[tuple[DryerLoad, Draft]], longest_h: float = DRYING_PROBE_HOURS[-1]) -> None:
    _compute_first_stages(drafts)
    _compute_hours(drafts, longest_h)


def _compute_first_stages(drafts: Sequence[tuple[DryerLoad, Draft]]) -> None:
    """Sets the hours of first stages, until all spools are hard at the set point; else a draft is impossible."""
    rows = [
        (load, draft, n)
        for load, draft in drafts
        if draft.first_reason in (FirstStageReason.SOFT, FirstStageReason.SHARED)
        for n in load.softened(draft)
    ]
    for load, draft, n in rows:
        hours = _first_stage_hours(load, draft, n)
        shared = draft.first_reason is FirstStageReason.SHARED
        if hours is None or (shared and hours > (draft.first_hours or 0.0)):
            draft.possible = False
        elif not shared:
            draft.first_hours = max(draft.first_hours or 0.0, round_hours(hours + IN_HAND_H))
    for _, draft, _ in rows:
        if not draft.possible and draft.first_reason is FirstStageReason.SOFT:
            draft.first_c = draft.first_hours = None


def _first_stage_hours(load: DryerLoad, draft: Draft, n: int) -> float | None:
    """The hours that a draft's first stage takes until spool n is hard; drafts with the same stage share one drying."""
    first_c = draft.first_c or 0.0
    if (n, first_c, draft.set_point_c) not in load.first_hours:
        set_points = [other.set_point_c for other in load.drafts if (other.first_c or 0.0) == first_c]
        (hours,) = softening.first_stage_hours(
            [(load.spools[n], load.states[n].winding, load.heated_air(first_c))],
            [[celsius + load.dryer.set_point_error_c for celsius in set_points]],
        )
        keys = [(n, first_c, celsius) for celsius in set_points]
        load.first_hours |= dict(zip(keys, hours, strict=True))
    return load.first_hours[n, first_c, draft.set_point_c]


def _start_winding(load: DryerLoad, draft: Draft, n: int) -> Winding:
    """The winding of spool n after the first stage of a draft."""
    winding, first = load.states[n].winding, draft.first
    if first is None:
        return winding
    if (n, first) not in load.started:
        (load.started[n, first],) = advance_windings([(winding, [load.heated_air(*first)])])
    return load.started[n, first]


def _compute_hours(
    drafts: Sequence[tuple[DryerLoad, Draft]], longest_h: float = DRYING_PROBE_HOURS[-1]
) -> None:
    """Sets the hours of each spool in each draft; None also where they are more than the longest that count."""
    rows = [(load, draft, n) for load, draft in drafts for n in range(len(load.spools))]
    dry = [is_dry(load.states[n].winding, load.targets_pct[n], load.masses_g[n]) for load, _, n in rows]
    # No time is enough where the air leaves too much: that needs no physics.
    numbers = [i for i, row in enumerate(rows) if not dry[i] and _may_reach(*row)]
    reaching = [rows[i] for i in numbers]
    needed = drying_spans(
        [(_start_winding(load, draft, n), load.heated_air(draft.set_point_c)) for load, draft, n in reaching],
        [load.targets_pct[n] for load, _, n in reaching],
        [load.masses_g[n] for load, _, n in reaching],
        _probe_hours(longest_h),
    )
    spans_h = dict(zip(numbers, needed, strict=True))
    for i, (load, draft, n) in enumerate(rows):
        hours, likely_h = (
            0.0 if dry[i] else _total_hours(draft, add_reserve(exact, load.masses_g[n]))
            for exact in spans_h.get(i, (None, None))
        )
        draft.likely_hours = [*draft.likely_hours[: len(draft.hours)], likely_h]
        draft.hours.append(hours)


def _probe_hours(longest_h: float) -> Sequence[float]:
    """The hours at which a drying is evaluated that counts up to a length."""
    return DRYING_PROBE_HOURS[: 1 + sum(hours < longest_h for hours in DRYING_PROBE_HOURS)]


def _may_reach(load: DryerLoad, draft: Draft, n: int) -> bool:
    """Whether a draft may get spool n dry, if it takes long enough."""
    return draft.possible and not load.is_floored(draft.set_point_c, n)


def add_reserve(exact: float | None, mass_g: float | None) -> float | None:
    """Hours of a last stage with the reserve that the outermost grams alone need; None grams: all of it."""
    return exact if exact is None or mass_g is None else TURNS_RESERVE * exact


def _total_hours(draft: Draft, exact: float | None) -> float | None:
    """The hours of all stages, from the exact hours of the last one, rounded for people."""
    if exact is None:
        return None
    needed = STEP_RESERVE * exact
    if draft.first is not None:
        needed = draft.first.hours + max(needed, IN_HAND_H)
    # In two stages too, no plan takes longer than plans look ahead.
    total = round_hours(needed)
    return total if total <= DRYING_PROBE_HOURS[-1] else None


def dry_windings(drafts: Sequence[tuple[DryerLoad, Draft]]) -> list[Winding]:
    """The windings of all spools of the loads after the hours of the whole load, one load after the other."""
    return advance_windings(
        [
            (state.winding, [load.heated_air(*stage) for stage in _whole_stages(draft)])
            for load, draft in drafts
            for state in load.states
        ]
    )


def _whole_stages(draft: Draft) -> list[Stage]:
    if draft.total is not None:
        return draft.stages(draft.total)
    return [*([draft.first] if draft.first else []), (draft.set_point_c, DRYING_PROBE_HOURS[-1])]


def _is_first_chosen(load: DryerLoad) -> bool:
    """Whether the first draft is taken whatever the others are."""
    first = load.drafts[0]
    # Where water softens a spool the usual set point is no more than a start, which depends on the dryer's error.
    usual = load.asked or not any(cap.two_stages for cap in load.caps)
    quick = usual and first.total is not None and first.total <= LONGEST_USUAL_H
    return load.asked or (quick and load.keeps_to_budget(first))


def choose_draft(load: DryerLoad) -> Draft:
    """The set point asked for or the usual one; another where that never suffices, takes a day or is too hot.

    The quickest of those that keep to one run's heat budget; where none does, the one that uses the least of it.
    """
    usual = load.drafts[0]
    if _is_first_chosen(load):
        return usual
    possible = [draft for draft in load.drafts if draft.possible] or [usual]
    reaching = [draft for draft in possible if draft.total is not None]
    if not reaching:
        return max(possible, key=lambda draft: draft.set_point_c)
    gentle = [draft for draft in reaching if load.keeps_to_budget(draft)]
    if gentle:
        return min(gentle, key=lambda draft: _preference(load, draft))
    return min(reaching, key=lambda draft: (max(load.run_shares(draft)), draft.total))


def _preference(load: DryerLoad, draft: Draft) -> tuple[float, bool, float, float]:
    """The order of drafts that keep to the heat budget: the quickest, then the usual, the least heat, the hottest."""
    assert draft.total is not None
    return draft.total, draft is not load.drafts[0], max(load.run_shares(draft)), -draft.set_point_c
