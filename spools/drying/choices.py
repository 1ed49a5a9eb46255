"""The choice of a dryer, a start and stages for a spool."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import cached_property
from typing import Any

from spools.catalogue.values import material_values
from spools.drying import search
from spools.drying.caps import compute_cap
from spools.drying.drafts import Draft, DryerLoad
from spools.drying.dryers import Dryers
from spools.drying.options import LONGEST_WHOLE_H, PlanRequest, Slot, next_quarter
from spools.drying.reels import state_reel
from spools.models import DryingRun, Place, Spool
from spools.moisture.state import Moisture

WHOLE = PlanRequest()


@dataclass(frozen=True)
class Choice:
    """A spool in a dryer, alone or with others, with a start and the chosen draft.

    slot: set even where the draft never suffices.
    """

    load: DryerLoad
    draft: Draft
    slot: Slot

    @property
    def spool(self) -> Spool:
        return self.load.spools[0]

    @property
    def hours(self) -> float | None:
        return self.draft.hours[0]

    @property
    def ready_at(self) -> datetime | None:
        """When it is dry; None where it never is."""
        return None if self.hours is None else self.slot.start + timedelta(hours=self.hours)

    @property
    def mass_g(self) -> float | None:
        """The outermost grams that alone get dry; None: all of it."""
        return search.outer_g(self.load, 0)

    @property
    def is_too_hot(self) -> bool:
        """Whether it exceeds the heat budget of one run."""
        return not self.load.keeps_to_budget(self.draft)

    @cached_property
    def rank(self) -> tuple[Any, ...]:
        """The order of preference: choices that get it dry, within the heat of one run, all of it, the earliest."""
        ready_at = self.ready_at
        if ready_at is None:
            return True, False, False, -self.draft.set_point_c, self.load.dryer.pk
        outer = self.mass_g is not None
        return False, self.is_too_hot, outer, ready_at, self.hours, self.load.dryer.pk


def build_load(
    spools: Sequence[Spool],
    states: Sequence[Moisture],
    dryer: Place,
    beside: Sequence[DryingRun],
    dryers: Dryers,
    request: PlanRequest = WHOLE,
) -> DryerLoad:
    """Spools in a dryer beside its runs, with the drafts of their options, not computed yet.

    Refused: a set point above a cap, or one that the dryer cannot have now.
    """
    inside = [run.spool for run in beside]
    targets_pct = [request.target_of(spool) for spool in spools]
    load = DryerLoad(
        spools=spools,
        dryer=dryer,
        beside=list(beside),
        caps=[compute_cap(spool, dryer, spools, inside=inside) for spool in spools],
        room=dryers.rooms[dryer.pk],
        states=list(states),
        targets_pct=targets_pct,
        masses_g=[
            search.counted_mass_g(state, target_pct, request.mass_g)
            for state, target_pct in zip(states, targets_pct, strict=True)
        ],
        at=dryers.at,
    )
    search.add_drafts(load, request, dryers.at)
    if len(spools) == 1 and not beside and request.set_point_c is None:
        stated = state_reel(spools[0], dryer, load.caps[0])
        if stated is not None:
            load.stated = replace(load, spools=[stated[0]], caps=[stated[1]], drafts=[])
            search.add_drafts(load.stated, request, dryers.at)
    return load


def build_loads(
    spool: Spool, state: Moisture, dryer: Place, dryers: Dryers, request: PlanRequest = WHOLE
) -> list[DryerLoad]:
    """The loads of a spool in a dryer: now, beside its runs, and alone as soon as it is free.

    With a set point in the request: only now, at that set point.
    """
    if request.set_point_c is not None:
        beside = [run for run in dryers.runs_in(dryer) if run.spool_id != spool.pk]
        return [build_load([spool], [state], dryer, beside, dryers, request)]
    joined = dryers.list_joinable_runs(spool, dryer)
    companions = [joined, []] if joined else [[]]
    return [build_load([spool], [state], dryer, beside, dryers, request) for beside in companions]


def choose(loads: Iterable[DryerLoad], dryers: Dryers) -> list[Choice]:
    """The choices for the spool of these loads, the best first. Their drafts are computed."""
    choices = []
    for load in loads:
        draft = search.choose_draft(load)
        slot = dryers.find_slot(load.spools[0], load.dryer, draft.hours[0] or 0.0, load.beside)
        if slot is None and load.asked:
            slot = Slot(next_quarter(dryers.at), [], [], [])
        if slot is not None:
            choices.append(Choice(load, draft, slot))
    return sorted(choices, key=lambda choice: choice.rank)


def choose_in_each(
    pairs: Sequence[tuple[Moisture, Place]], dryers: Dryers, *, all_options: bool
) -> list[list[Choice]]:
    """The choices for each spool in a dryer, the best first: for all of it, or for a job's turns.

    For the turns where no time, or only more than LONGEST_WHOLE_H, is enough for all of it there. The physics runs
    in a few calls.
    """
    found = _choose_each([(*pair, WHOLE) for pair in pairs], dryers, all_options)
    slow = [n for n, choices in enumerate(found) if choices and _is_slow(choices[0])]
    requests = {n: request for n in slow if (request := _request_turns(pairs[n][0], dryers)) is not None}
    turns = _choose_each([(*pairs[n], request) for n, request in requests.items()], dryers, all_options)
    for n, choices in zip(requests, turns, strict=True):
        if choices and _is_worth(choices[0], found[n][0]):
            found[n] = choices
    return found


def _choose_each(
    rows: Sequence[tuple[Moisture, Place, PlanRequest]], dryers: Dryers, all_options: bool
) -> list[list[Choice]]:
    ways = [build_loads(state.history.spool, state, dryer, dryers, request) for state, dryer, request in rows]
    search.compute_drafts([load for loads in ways for load in loads], all_options=all_options)
    return [choose(loads, dryers) for loads in ways]


def _is_slow(choice: Choice) -> bool:
    """Whether all of a spool takes too long."""
    return choice.load.masses_g[0] is None and (choice.hours is None or choice.hours > LONGEST_WHOLE_H)


def _request_turns(state: Moisture, dryers: Dryers) -> PlanRequest | None:
    """The turns of the print that is requested from a spool, at least a small job's; None where it takes them all."""
    mass_g = max(search.SMALL_JOB_G, dryers.requested_g.get(state.history.spool.pk, 0.0))
    return PlanRequest(mass_g=mass_g) if mass_g < 1000 * state.winding.geometry.mass_kg else None


def _is_worth(turns: Choice, whole: Choice) -> bool:
    """Whether drying the turns helps: they are damp, and get dry soon without too much heat."""
    if not turns.hours or turns.is_too_hot:
        return False
    return whole.hours is None or turns.hours <= LONGEST_WHOLE_H


def choose_for_each(states: Iterable[Moisture], dryers: Dryers) -> dict[int, list[Choice]]:
    """The choices for each of these spools in all dryers, the best first, by spool id."""
    states = list(states)
    pairs = [(state, dryer) for state in states for dryer in dryers.places.values()]
    choices: dict[int, list[Choice]] = {state.history.spool.pk: [] for state in states}
    for found in choose_in_each(pairs, dryers, all_options=False):
        for choice in found:
            choices[choice.spool.pk].append(choice)
    return {pk: sorted(found, key=lambda choice: choice.rank) for pk, found in choices.items()}


def place_queue(dryers: Dryers) -> dict[int, list[Choice]]:
    """The choices for the wet spools of the queue, by spool id; each occupies its dryer for those after it."""
    if dryers.queue_choices is not None:
        return dryers.queue_choices
    choices: dict[int, list[Choice]] = {}
    for state in dryers.queue:
        if prints_well(state):
            continue
        choices |= choose_for_each([state], dryers)
        best = next(iter(choices[state.history.spool.pk]), None)
        if best is not None and best.ready_at is not None and not best.load.beside:
            dryers.add_ahead(best.spool, best.load.dryer.pk, best.slot.start, best.ready_at)
    dryers.queue_choices = choices
    return choices


def prints_well(state: Moisture) -> bool:
    """Whether a spool, and its outer turns for a small job, are probably below the limit for printing well."""
    limit_pct = material_values(state.history.spool.feedstock).limit_clear_pct
    return search.counted_mass_g(state, limit_pct, None) is not None and search.is_dry(
        state.winding, limit_pct, search.SMALL_JOB_G
    )
