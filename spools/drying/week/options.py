"""Computes the options to dry each spool: in which dryer, at which set point, for how long.

A trial is one spool in one dryer at one set point. Its hours are computed for several starts, and become one
option of the pure model when they suffice and the heat budget allows them.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import groupby

from spools.catalogue.values import material_values
from spools.drying import heat_budget, softening
from spools.drying.caps import compute_cap, suggested_set_point_c
from spools.drying.dryers import smell_of
from spools.drying.gate import FirstStage
from spools.drying.options import (
    DRYING_PROBE_HOURS,
    IN_HAND_H,
    LEAST_C,
    LIKELY,
    LONGEST_USUAL_H,
    STEP_K,
    WET_START_H,
)
from spools.drying.runs import default_target_pct
from spools.drying.week.heat_limit import longest_slots
from spools.drying.week.inputs import WeekInputs
from spools.drying.week.model import Mode, Option
from spools.drying.week.slots import SLOTS_H
from spools.drying.week.storage_life import good_for_in_storage
from spools.models import Place, Spool
from spools.physics_inputs import Winding, advance_windings, hours_until
from spools.statements import Statement

# Set points that are tried for a spool in a dryer: its own and some of the others that are dried there.
MOST_SET_POINTS = 4


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
    """One spool in one dryer at one set point; its hours, in all and first, by the slot in which it starts."""

    spool: Spool
    dryer: Place
    set_point_c: float
    first_c: float | None = None
    mass_g: float | None = None
    hours: dict[int, float | None] = field(default_factory=dict)
    first_hours: dict[int, float] = field(default_factory=dict)

    @property
    def mode(self) -> Mode:
        # A run in two stages is dried alone: those of two spools hardly ever agree.
        return Mode(self.set_point_c, smell_of(self.spool), None if self.first_c is None else self.spool.pk)


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
    """Each spool at its own set points, and at those of others that are allowed for it too."""
    error_k = dryer.set_point_error_c
    caps = {spool.pk: compute_cap(spool, dryer) for spool in wet}
    limits = {pk: math.floor(cap.start_c - error_k) for pk, cap in caps.items()}
    points = {
        celsius for spool in wet for celsius in (suggested_set_point_c(spool, dryer), float(limits[spool.pk]))
    }
    now = {run.set_point_c for run in inputs.runs if run.dryer_id == dryer.pk}
    trials = []
    for spool in wet:
        cap, lowest_c = caps[spool.pk], suggested_set_point_c(spool, dryer) - 4 * STEP_K
        allowed = sorted(
            (c for c in points if LEAST_C <= c <= limits[spool.pk] and c >= lowest_c), reverse=True
        )
        also = {celsius for celsius in now if celsius <= cap.start_c} - {*allowed}
        trials += [_Trial(spool, dryer, celsius) for celsius in [*allowed[:MOST_SET_POINTS], *sorted(also)]]
        hottest_c = math.floor(cap.cap_c - error_k)
        first_c = float(limits[spool.pk])
        if cap.two_stages and hottest_c > first_c:
            hotter = [*range(limits[spool.pk] + STEP_K, hottest_c, STEP_K), hottest_c]
            trials += [_Trial(spool, dryer, float(celsius), first_c) for celsius in hotter]
    return trials


def _compute_all_hours(inputs: WeekInputs, trials: Sequence[_Trial]) -> None:
    """Compute the hours of all trials at the first and last bound, and in between where they change."""
    first, last = inputs.bounds[0], inputs.bounds[-1]
    _compute_hours(inputs, trials, first)
    # Where it takes too long to dry all of a spool, the turns that the requests may use suffice.
    slow = [trial for trial in trials if (hours := trial.hours[first]) is None or hours > LONGEST_USUAL_H]
    for trial in slow:
        wanted_g = sum(request.mass_g for request in inputs.requests_for(trial.spool))
        if wanted_g < inputs.surely_g(trial.spool):
            trial.mass_g = wanted_g
    _compute_hours(inputs, [trial for trial in slow if trial.mass_g is not None], first)
    _compute_hours(inputs, trials, last)
    for slot, places in inputs.changes.items():
        _compute_hours(inputs, [trial for trial in trials if places & inputs.places_near(trial.spool)], slot)
    changing = [trial for trial in trials if len({*trial.hours.values()}) > 1]
    for bound in inputs.bounds[1:-1]:
        _compute_hours(inputs, [trial for trial in changing if bound not in trial.hours], bound)


def _compute_hours(inputs: WeekInputs, trials: Iterable[_Trial], slot: int) -> None:
    """Compute the hours of trials that start in a slot; equal ones, as in two alike dryers, only once."""
    alike: dict[tuple, list[_Trial]] = {}
    for trial in trials:
        air = inputs.dryer_air(slot, trial.dryer, trial.set_point_c)
        error_k = trial.dryer.set_point_error_c if trial.first_c else 0
        key = (trial.spool.pk, air, trial.first_c, trial.mass_g, error_k)
        alike.setdefault(key, []).append(trial)
    groups = list(alike.values())
    windings = _after_first_stages(inputs, [group[0] for group in groups], slot)
    by_mass: dict[float | None, list[tuple[list[_Trial], Winding]]] = {}
    for group, winding in zip(groups, windings, strict=True):
        by_mass.setdefault(group[0].mass_g, []).append((group, winding))
    for mass_g, rows in by_mass.items():
        probed_hours = hours_until(
            [
                (winding, inputs.dryer_air(slot, group[0].dryer, group[0].set_point_c))
                for group, winding in rows
            ],
            [default_target_pct(group[0].spool) for group, _ in rows],
            mass_g,
            DRYING_PROBE_HOURS,
            below=True,
        )
        for (group, _), hours in zip(rows, probed_hours, strict=True):
            _set_hours(inputs, group, slot, hours)


def _after_first_stages(inputs: WeekInputs, trials: Sequence[_Trial], slot: int) -> list[Winding]:
    """The windings at the end of the first stage, or at the start where a trial has none."""
    states = inputs.states[slot]
    staged = [trial for trial in trials if trial.first_c is not None]
    stage_hours = softening.first_stage_hours(
        [
            (
                trial.spool,
                states[trial.spool.pk].winding,
                inputs.dryer_air(slot, trial.dryer, trial.first_c or 0.0),
            )
            for trial in staged
        ],
        [trial.set_point_c + trial.dryer.set_point_error_c for trial in staged],
    )
    for trial, hours in zip(staged, stage_hours, strict=True):
        # A spool that never gets hard enough has no second stage.
        trial.first_hours[slot] = math.inf if hours is None else math.ceil(hours * 4) / 4 + IN_HAND_H
    lanes = []
    for trial in trials:
        first_h = trial.first_hours.get(slot, math.inf)
        stages = (
            []
            if math.isinf(first_h)
            else [inputs.dryer_air(slot, trial.dryer, trial.first_c or 0.0, first_h)]
        )
        lanes.append((states[trial.spool.pk].winding, stages))
    return advance_windings(lanes)


def _set_hours(inputs: WeekInputs, alike: Sequence[_Trial], slot: int, hours: float | None) -> None:
    """Set the hours of alike trials from those of their last stage."""
    first = alike[0]
    first_h = first.first_hours.setdefault(slot, 0.0)
    if hours is not None and math.isfinite(first_h):
        state = inputs.states[slot][first.spool.pk]
        limit_pct = material_values(first.spool.feedstock).limit_hold_pct
        is_wet = state.probability_over(limit_pct, first.mass_g) > LIKELY
        is_amorphous = first.spool.feedstock.polymer.kind.startswith("amorphous")
        # Its drying plan may advise to start cooler for two hours.
        cooler_h = WET_START_H if is_amorphous and is_wet and first.first_c is None else 0.0
        hours = first_h + math.ceil(hours * 4) / 4 + IN_HAND_H + cooler_h
    for trial in alike:
        trial.first_hours[slot] = first_h
        trial.hours[slot] = hours if math.isfinite(first_h) else None


def _option_of(inputs: WeekInputs, trial: _Trial) -> tuple[Option, Detail] | tuple[None, None]:
    """The option that a trial becomes; None where it never suffices or exceeds the heat budget."""
    slots = [slot for slot, hours in trial.hours.items() if hours is not None]
    first_h = max((trial.first_hours[slot] for slot in slots), default=0.0)
    rest_h = {slot: (trial.hours[slot] or 0.0) - trial.first_hours[slot] for slot in slots}
    takes: list[int | None] = []
    for begin, end in zip(inputs.bounds, inputs.bounds[1:], strict=False):
        # Without hours inside this part of the week they never change: those of the first bound hold.
        inside = [slot for slot in trial.hours if begin <= slot <= end] or [inputs.bounds[0]]
        suffices = all(slot in rest_h for slot in inside)
        longest_h = max(rest_h[slot] for slot in inside) if suffices else 0.0
        takes.append(math.ceil((first_h + longest_h) * SLOTS_H) if suffices else None)
    possible = [slots for slots in takes if slots is not None]
    longest = longest_slots(inputs, trial.spool, trial.set_point_c, [], inputs.states[0][trial.spool.pk])
    if not possible or min(possible) > longest:
        return None, None
    first = None if trial.first_c is None else FirstStage(trial.first_c, first_h)
    good_for = _good_for_after(inputs, trial)
    option = Option(trial.dryer.pk, trial.mode, tuple(takes), longest, good_for)
    return option, Detail(first, trial.mass_g)


def _good_for_after(inputs: WeekInputs, trial: _Trial) -> int:
    """Slots that it stays good after the shortest or the longest of its dryings, whichever is less."""
    slots = {hours: slot for slot, hours in trial.hours.items() if hours is not None}
    lanes = []
    for hours in sorted({min(slots), max(slots)}):
        slot = slots[hours]
        first_h = trial.first_hours[slot]
        stages = [inputs.dryer_air(slot, trial.dryer, trial.set_point_c, hours - first_h)]
        if trial.first_c is not None:
            stages.insert(0, inputs.dryer_air(slot, trial.dryer, trial.first_c, first_h))
        lanes.append((inputs.states[slot][trial.spool.pk].winding, stages))
    return min(good_for_in_storage(inputs, trial.spool, dried) for dried in advance_windings(lanes))


def _reason_for_none(spool: Spool, trials: Sequence[_Trial]) -> Statement:
    """Why no drying makes a spool good."""
    hottest = max(trials, key=lambda trial: trial.set_point_c)
    setting = {"set_point_c": hottest.set_point_c, "dryer": str(hottest.dryer)}
    suffices = any(hours is not None for trial in trials for hours in trial.hours.values())
    if suffices and heat_budget.is_polyamide(spool.feedstock.polymer):
        return Statement("week.too_much_heat", setting)
    reach = {
        "target_pct": default_target_pct(spool),
        "hours": DRYING_PROBE_HOURS[-1],
        "cap": compute_cap(spool, hottest.dryer).reason.as_data(),
        "error_k": hottest.dryer.set_point_error_c,
    }
    return Statement("week.out_of_reach", setting | reach)
