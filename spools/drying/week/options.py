"""Computes the options to dry each spool: in which dryer, by which draft of the advisor, for how long.

A trial is one spool in one dryer by one draft: the one that the advisor chooses there, or the set point of others
that are dried there, to share the dryer with them. The advisor's search computes the hours for several starts.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from itertools import groupby

from spools.drying import heat_budget, search
from spools.drying.caps import compute_cap
from spools.drying.drafts import Draft, DryerLoad, FirstStageReason
from spools.drying.dryers import smell_of
from spools.drying.gate import FirstStage
from spools.drying.options import DRYING_PROBE_HOURS, IN_HAND_H, LEAST_C, LONGEST_USUAL_H, STEP_K, PlanRequest
from spools.drying.runs import default_target_pct
from spools.drying.week.heat_limit import longest_slots
from spools.drying.week.inputs import WeekInputs
from spools.drying.week.loads import load_alone
from spools.drying.week.model import Mode, Option
from spools.drying.week.slots import SLOT, SLOTS_H
from spools.drying.week.storage_life import good_for_in_storage
from spools.models import Place, Spool
from spools.physics_inputs import advance_windings
from spools.statements import Statement

# Set points of others that are tried for a spool in a dryer.
MOST_SHARED = 3


@dataclass(frozen=True)
class Detail:
    """The first stage of a drying if it has one, and the outermost grams that get dry (None: all)."""

    first: FirstStage | None
    mass_g: float | None


# By spool id, dryer id and mode.
Details = dict[tuple[int, int, Mode], Detail]


@dataclass(frozen=True)
class DryingOptions:
    """The options by spool id, their details, and why a spool has none, by its id."""

    by_spool: dict[int, list[Option]]
    details: Details
    lacking: dict[int, Statement]


@dataclass
class _Trial:
    """One spool in one dryer by one draft, with its hours by the slot in which it starts.

    setting: the draft without its hours. advised: whether the advisor chooses it. mass_g: the outermost grams that
    are asked for; None: all.
    """

    spool: Spool
    dryer: Place
    setting: Draft
    advised: bool
    mass_g: float | None
    drafts: dict[int, Draft] = field(default_factory=dict)

    @property
    def mode(self) -> Mode:
        # A run in two stages is dried alone: those of two spools hardly ever agree.
        alone = None if self.setting.first_c is None else self.spool.pk
        return Mode(self.setting.set_point_c, smell_of(self.spool), alone)

    def hours(self, slot: int) -> float | None:
        """Hours of all stages for a start in a slot; None where it never suffices."""
        total = self.drafts[slot].total
        return None if total is None else max(total, IN_HAND_H)

    def first_hours(self, slot: int) -> float:
        return self.drafts[slot].first_hours or 0.0


def build_options(inputs: WeekInputs, wet: Sequence[Spool]) -> DryingOptions:
    """The options of each wet spool that suffice, or the reason why it has none."""
    trials = [trial for dryer in inputs.dryers.values() for trial in _list_trials(inputs, dryer, wet)]
    _compute_all_hours(inputs, trials)
    by_spool: dict[int, list[Option]] = {}
    details: Details = {}
    lacking: dict[int, Statement] = {}
    for spool, group in groupby(sorted(trials, key=lambda trial: trial.spool.pk), lambda trial: trial.spool):
        spool_trials = list(group)
        by_spool[spool.pk] = []
        for trial in spool_trials:
            option, detail = _option_of(inputs, trial)
            if option is not None and detail is not None:
                by_spool[spool.pk].append(option)
                details[spool.pk, trial.dryer.pk, trial.mode] = detail
        if not by_spool[spool.pk]:
            lacking[spool.pk] = _reason_for_none(spool, spool_trials)
    for spool in wet:
        if spool.pk not in by_spool:
            lacking[spool.pk] = Statement("week.no_cool_dryer")
    return DryingOptions(by_spool, details, lacking)


def _list_trials(inputs: WeekInputs, dryer: Place, wet: Sequence[Spool]) -> list[_Trial]:
    """Each spool as the advisor would dry it alone now, and at the set points of others, to share the dryer."""
    trials = [trial for trial in _choose_drafts(inputs, dryer, wet) if trial.setting.set_point_c >= LEAST_C]
    points = {trial.setting.set_point_c for trial in trials}
    running = {run.set_point_c for run in inputs.runs if run.dryer_id == dryer.pk}
    return [*trials, *(shared for trial in trials for shared in _share(trial, points, running))]


def _choose_drafts(inputs: WeekInputs, dryer: Place, wet: Sequence[Spool]) -> list[_Trial]:
    """The advisor's drafts for each spool in a dryer, for a start now and, where it is another one, for the last start.

    A spool that gets wetter until then may need a cooler set point for its heat budget. Where it takes too long to
    dry all of a spool, the turns that the requests may use suffice.
    """
    slots = (inputs.bounds[0], inputs.bounds[-1])
    drafts = _advised_drafts(inputs, dryer, [(spool, slot, None) for spool in wet for slot in slots])
    masses_g = {
        spool.pk: inputs.wanted_g(spool)
        for spool in wet
        if any((total := drafts[spool.pk, slot].total) is None or total > LONGEST_USUAL_H for slot in slots)
    }
    less = [(spool, slot, masses_g.get(spool.pk)) for spool in wet for slot in slots]
    drafts |= _advised_drafts(inputs, dryer, [row for row in less if row[2] is not None])
    trials: dict[tuple[int, Mode], _Trial] = {}
    for spool in wet:
        for slot in slots:
            draft, mass_g = drafts[spool.pk, slot], masses_g.get(spool.pk)
            trial = _Trial(spool, dryer, _setting_of(draft), True, mass_g, {slot: draft})
            trials.setdefault((spool.pk, trial.mode), trial).drafts.setdefault(slot, draft)
    return list(trials.values())


def _advised_drafts(
    inputs: WeekInputs, dryer: Place, rows: Sequence[tuple[Spool, int, float | None]]
) -> dict[tuple[int, int], Draft]:
    """The advisor's choice by spool id and slot. rows: spool, slot, outermost grams (None: all)."""
    loads = {
        (spool.pk, slot): _build_load(inputs, spool, dryer, slot, mass_g) for spool, slot, mass_g in rows
    }
    search.compute_drafts(list(loads.values()), all_options=False)
    return {key: search.choose_draft(load) for key, load in loads.items()}


def _build_load(inputs: WeekInputs, spool: Spool, dryer: Place, slot: int, mass_g: float | None) -> DryerLoad:
    at = inputs.begin + slot * SLOT
    request = PlanRequest(mass_g=mass_g)
    state, room = inputs.states[slot][spool.pk], inputs.rooms[slot][dryer.pk]
    return load_alone(spool, state, dryer, room, request, at, neighbours=inputs.together_in(dryer) - 1)


def _setting_of(draft: Draft) -> Draft:
    """A draft without its hours; those of a first stage that lasts until the winding is hard are computed anew."""
    is_computed = draft.first_reason is FirstStageReason.SOFT
    return replace(draft, hours=[], possible=True, first_hours=None if is_computed else draft.first_hours)


def _share(trial: _Trial, points: Iterable[float], running: set[float]) -> list[_Trial]:
    """A spool in one stage at the set points of others in its dryer, as far as its cap allows them."""
    cap = compute_cap(trial.spool, trial.dryer)
    advised_c = trial.setting.set_point_c
    lowest_c = max(LEAST_C, advised_c - 4 * STEP_K)
    hottest_c = cap.start_hottest_c
    planned = sorted((celsius for celsius in points if lowest_c <= celsius <= hottest_c), reverse=True)
    inside = {celsius for celsius in running if LEAST_C <= celsius <= cap.start_c}
    own = set() if trial.setting.first_c is not None else {advised_c}
    return [
        replace(trial, setting=Draft(celsius), advised=False, drafts={})
        for celsius in sorted({*planned[:MOST_SHARED], *inside} - own)
    ]


def _compute_all_hours(inputs: WeekInputs, trials: Sequence[_Trial]) -> None:
    """Compute the hours of all trials at the first and last bound, and in between where they change."""
    first, last = inputs.bounds[0], inputs.bounds[-1]
    _compute_hours(inputs, trials, first)
    _compute_hours(inputs, trials, last)
    for slot, places in inputs.changes.items():
        _compute_hours(inputs, [trial for trial in trials if places & inputs.places_near(trial.spool)], slot)
    # After its air changed a spool may need longer for a while, and as long as before in the end.
    unsteady = set().union(*inputs.changes.values())
    changing = [
        trial
        for trial in trials
        if len({trial.hours(slot) for slot in trial.drafts}) > 1 or unsteady & inputs.places_near(trial.spool)
    ]
    for bound in inputs.bounds[1:-1]:
        _compute_hours(inputs, changing, bound)


def _compute_hours(inputs: WeekInputs, trials: Sequence[_Trial], slot: int) -> None:
    """Compute the hours of trials that start in a slot; equal ones, as in two alike dryers, only once."""
    missing = [trial for trial in trials if slot not in trial.drafts]
    loads = []
    for trial in missing:
        load = _build_load(inputs, trial.spool, trial.dryer, slot, trial.mass_g)
        load.drafts = [replace(trial.setting, hours=[])]
        loads.append(load)
    search.compute_drafts(loads, all_options=True)
    for trial, load in zip(missing, loads, strict=True):
        trial.drafts[slot] = load.drafts[0]


def _option_of(inputs: WeekInputs, trial: _Trial) -> tuple[Option, Detail] | tuple[None, None]:
    """The option that a trial becomes; None where it never suffices or exceeds the heat budget."""
    hours = {slot: total for slot in trial.drafts if (total := trial.hours(slot)) is not None}
    first_h = max((trial.first_hours(slot) for slot in hours), default=0.0)
    takes: list[int | None] = []
    for begin, end in zip(inputs.bounds, inputs.bounds[1:], strict=False):
        # Without hours inside this part of the week they never change: those of the first bound hold.
        inside = [slot for slot in trial.drafts if begin <= slot <= end] or [inputs.bounds[0]]
        suffices = all(slot in hours for slot in inside)
        longest_h = max(hours[slot] - trial.first_hours(slot) for slot in inside) if suffices else 0.0
        takes.append(math.ceil((first_h + longest_h) * SLOTS_H) if suffices else None)
    possible = [slots for slots in takes if slots is not None]
    set_point_c = trial.setting.set_point_c
    before = [] if trial.setting.first_c is None else [(trial.setting.first_c, first_h)]
    state = inputs.states[0][trial.spool.pk]
    longest = longest_slots(inputs, trial.spool, set_point_c, before, state) + math.ceil(first_h * SLOTS_H)
    if not possible or min(possible) > longest:
        return None, None
    first = None if trial.setting.first_c is None else FirstStage(trial.setting.first_c, first_h)
    good_for = _good_for_after(inputs, trial, hours)
    option = Option(trial.dryer.pk, trial.mode, tuple(takes), longest, good_for, trial.advised)
    return option, Detail(first, trial.mass_g)


def _good_for_after(inputs: WeekInputs, trial: _Trial, hours: dict[int, float]) -> int:
    """Slots that it stays good after the shortest or the longest of its dryings, whichever is less."""
    lanes = []
    for slot in {min(hours, key=lambda slot: hours[slot]), max(hours, key=lambda slot: hours[slot])}:
        stages = [
            inputs.dryer_air(slot, trial.dryer, *stage) for stage in trial.drafts[slot].stages(hours[slot])
        ]
        lanes.append((inputs.states[slot][trial.spool.pk].winding, stages))
    return min(good_for_in_storage(inputs, trial.spool, dried) for dried in advance_windings(lanes))


def _reason_for_none(spool: Spool, trials: Sequence[_Trial]) -> Statement:
    """Why no drying makes a spool good."""
    hottest = max(trials, key=lambda trial: trial.setting.set_point_c)
    setting = {"set_point_c": hottest.setting.set_point_c, "dryer": str(hottest.dryer)}
    suffices = any(trial.hours(slot) is not None for trial in trials for slot in trial.drafts)
    if suffices and heat_budget.is_polyamide(spool.feedstock.polymer):
        return Statement("week.too_much_heat", setting)
    reach = {
        "target_pct": default_target_pct(spool),
        "hours": DRYING_PROBE_HOURS[-1],
        "cap": compute_cap(spool, hottest.dryer).reason.as_data(),
        "error_k": hottest.dryer.set_point_error_c,
    }
    return Statement("week.out_of_reach", setting | reach)
