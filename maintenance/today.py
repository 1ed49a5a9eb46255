"""Today: which materials are safe to print now, where and from which spool, when the others could be."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import product
from math import ceil
from typing import Any, NamedTuple

from django.utils import timezone

from maintenance.readiness.builder import build_inputs
from maintenance.readiness.rules import judge
from maintenance.readiness.states import (
    Dryers,
    MachineState,
    SpoolState,
    load_dryers,
    load_machine_states,
    load_spool_states,
)
from maintenance.readiness.verdict import HOLD, STATES, ReadinessCheck, Verdict
from maintenance.reminders import queries
from spools.air.climate import Climate, heated_rh_pct, room_airs
from spools.codes import pretty
from spools.drying.caps import joining_set_point_c, suggested_set_point_c
from spools.drying.forecast import estimate_dry_times, needed_until
from spools.drying.options import DRYING_PROBE_HOURS
from spools.drying.runs import default_target_pct
from spools.inventory.ledger import Amount
from spools.inventory.queries import with_materials
from spools.models import DryingRun, Feedstock, Place, Spool
from spools.physics_inputs import ConstantAir, hours_until

from .models import Fitting, Toolhead

# Holds that time in a dryer takes away.
DRIED_AWAY = {"moisture", "drying"}


@dataclass(frozen=True)
class ReadyRow:
    """A material that may be printed: its best spool, on the toolhead that suits it best."""

    material: str
    spool: Spool
    toolhead: Toolhead
    verdict: Verdict
    amount: Amount


@dataclass(frozen=True)
class DryingAhead:
    """Drying of a whole spool that starts then: the hours that it takes, None when they never suffice."""

    set_point_c: float
    hours: float | None
    start: datetime
    # Spools that are done and still in the dryer, and dry at another set point than this one may have.
    taken_out: list[str]

    @property
    def ready_at(self) -> datetime | None:
        return None if self.hours is None else self.start + timedelta(hours=self.hours)


@dataclass(frozen=True)
class LaterRow:
    """A material on hold: the spool that is ready first, in which dryer and when; or why not here."""

    material: str
    spool: Spool
    dryer: Place | None
    plan: DryingAhead | None
    ready_at: datetime | None
    reason: str


@dataclass(frozen=True)
class Today:
    ready: list[ReadyRow]
    later: list[LaterRow]
    due: list[Any]


class Step(NamedTuple):
    """One of the first things to do in a new shop: its page, what to do and why, whether it is done."""

    page: str
    title: str
    why: str
    is_done: bool


def list_first_steps() -> list[Step]:
    """The first steps of a new shop, in the order in which they help most."""
    return [
        Step(
            "place-new",
            "Add your places",
            "Shelf, dry box, dryer: a spool's moisture follows the air where it is.",
            Place.objects.exclude(kind=Place.Kind.PRINTER).exists(),
        ),
        Step("machine-new", "Add a printer", "With its toolhead.", Toolhead.objects.exists()),
        Step(
            "stock-add",
            "Receive and fit its parts",
            "Nozzle, drive gears and liner wear; their count starts when they are fitted.",
            Fitting.objects.exists(),
        ),
        Step(
            "feedstock-new",
            "Add what you print with",
            "The maker's data sheet comes before the catalogue's numbers.",
            Feedstock.objects.exists(),
        ),
        Step("spool-receive", "Receive a spool", "It gets a code and a label.", Spool.objects.exists()),
    ]


def build_today(now: datetime | None = None, user: Any = None) -> Today:
    """The morning's look at the shop, for small jobs. The number of queries is fixed.

    user: for whom; what is due comes in their order.
    """
    now = now or timezone.now()
    dryers = load_dryers()
    spool_states = load_spool_states(with_materials().filter(emptied_at=None), dryers, preloaded=True)
    machines = load_machine_states(Toolhead.objects.filter(printer__retired_at=None))
    pairs = build_inputs(list(product(machines.values(), spool_states.values())), None)
    verdicts = {key: judge(inputs) for key, inputs in pairs.items()}
    ready, waiting = [], []
    for material, spools in _by_material(spool_states.values()).items():
        best = min(
            ((machine, spool_state) for machine in machines.values() for spool_state in spools),
            key=lambda pair: _rank(pair, verdicts),
            default=None,
        )
        if best is not None and verdicts[_pair_key(best)].state != HOLD:
            machine, spool_state = best
            ready.append(
                ReadyRow(
                    material,
                    spool_state.spool,
                    machine.toolhead,
                    verdicts[_pair_key(best)],
                    spool_state.amount,
                )
            )
        else:
            waiting.append((material, spools))
    ready.sort(key=lambda row: (STATES.index(row.verdict.state), row.material))
    later = _later_prints(waiting, list(machines.values()), verdicts, dryers, now)
    return Today(ready, later, list(queries.open_reminders(now, user)))


def _pair_key(pair: tuple[MachineState, SpoolState]) -> tuple[int, int]:
    return pair[0].toolhead.pk, pair[1].spool.pk


def _rank(pair: tuple[MachineState, SpoolState], verdicts: dict[tuple[int, int], Verdict]) -> tuple:
    """The best state first, then what is loaded there, then the fewest cautions, then the most left."""
    machine, spool_state = pair
    verdict = verdicts[_pair_key(pair)]
    state = STATES.index(verdict.state)
    return (
        state,
        machine.loaded != spool_state.spool.pk,
        len(verdict.reasons),
        -spool_state.amount.mass_g,
        _pair_key(pair),
    )


def _by_material(spool_states: Iterable[SpoolState]) -> dict[str, list[SpoolState]]:
    groups: dict[str, list[SpoolState]] = {}
    for spool_state in spool_states:
        groups.setdefault(_material(spool_state.spool), []).append(spool_state)
    return dict(sorted(groups.items()))


def _material(spool: Spool) -> str:
    """The material of a spool in words: polymer and filler."""
    feedstock = spool.feedstock
    if feedstock.filler is None:
        return feedstock.polymer.name
    return f"{feedstock.polymer} with {100 * feedstock.filler_mass_fraction:.0f} % {feedstock.filler}"


def _later_prints(
    waiting: list[tuple[str, list[SpoolState]]],
    machines: list[MachineState],
    verdicts: dict[tuple[int, int], Verdict],
    dryers: Dryers,
    now: datetime,
) -> list[LaterRow]:
    """A row for each material on hold, what is ready first at the top."""
    to_dry = [
        spool_state
        for _, spools in waiting
        for spool_state in spools
        if spool_state.run is None and _other_hold(spool_state, machines, verdicts) is None
    ]
    running = [
        (spool_state.spool.pk, spool_state.run, spool_state.moisture.winding)
        for _, spools in waiting
        for spool_state in spools
        if spool_state.run is not None and spool_state.moisture is not None
    ]
    rooms = room_airs(dryers.places) if to_dry or running else {}
    dried = _drying_ahead(to_dry, dryers, rooms, now)
    times = estimate_dry_times([(run, winding) for _, run, winding in running], now, rooms)
    dry_at = {pk: at for (pk, *_), at in zip(running, times, strict=True)}
    rows = []
    for material, spools in waiting:
        own_prints = [
            _in_dryer(material, spool_state, spool_state.run, dry_at.get(spool_state.spool.pk), now)
            if spool_state.run is not None and _other_hold(spool_state, machines, verdicts) is None
            else _row(material, spool_state, machines, verdicts, dried.get(spool_state.spool.pk), now)
            for spool_state in spools
        ]
        rows.append(min(own_prints, key=lambda row: (row.ready_at is None, row.ready_at or now)))
    return sorted(rows, key=lambda row: (row.ready_at is None, row.ready_at or now, row.material))


def _row(
    material: str,
    spool_state: SpoolState,
    machines: list[MachineState],
    verdicts: dict[tuple[int, int], Verdict],
    dried: tuple[Place, DryingAhead] | None,
    now: datetime,
) -> LaterRow:
    other_hold = _other_hold(spool_state, machines, verdicts)
    if other_hold is not None:
        return LaterRow(
            material,
            spool_state.spool,
            None,
            None,
            None,
            f"{other_hold.sentence} {other_hold.remedy}".strip(),
        )
    if dried is None:
        return LaterRow(
            material, spool_state.spool, None, None, None, "is too wet, and there is no dryer here."
        )
    dryer, plan = dried
    method = f"at {plan.set_point_c:g} °C in {dryer}"
    if plan.hours is None or plan.ready_at is None:
        limit_pct = default_target_pct(spool_state.spool)
        reason = f"cannot be made safe here: even {DRYING_PROBE_HOURS[-1]} h {method} leave more than {limit_pct:g} %."
        return LaterRow(material, spool_state.spool, dryer, plan, None, reason)
    start_words = "if that starts now"
    if plan.start > now:
        start_words = f"once that dryer is free at {_format_clock(plan.start)}"
    elif plan.taken_out:
        start_words += f", when {' and '.join(plan.taken_out)} is taken out"
    reason = f"ready by {_format_clock(plan.ready_at)} after {plan.hours:g} h {method}, {start_words}."
    return LaterRow(material, spool_state.spool, dryer, plan, plan.ready_at, reason)


def _in_dryer(
    material: str, spool_state: SpoolState, run: DryingRun, dry_at: datetime | None, now: datetime
) -> LaterRow:
    """A spool that dries: ready when its hours are over and the physics expects all of it to be dry."""
    done_at = run.start + timedelta(hours=run.planned_hours)
    state_words = f"is drying in {run.dryer}, planned until {_format_clock(done_at)}"
    if dry_at is None:
        reason = f"{state_words}; all of it likely does not get below {run.target_pct:.2g} % so."
        return LaterRow(material, spool_state.spool, run.dryer, None, None, reason)
    if needed_until(run, dry_at, now) is not None:
        reason = f"{state_words}, when all of it is likely not dry enough: leave it in until {_format_clock(dry_at)}."
        return LaterRow(material, spool_state.spool, run.dryer, None, dry_at, reason)
    return LaterRow(material, spool_state.spool, run.dryer, None, max(now, done_at), f"{state_words}.")


def _other_hold(
    spool_state: SpoolState, machines: list[MachineState], verdicts: dict[tuple[int, int], Verdict]
) -> ReadinessCheck | None:
    """A hold that no drying ends, on every toolhead; None where some toolhead has none."""
    holds = [
        [
            check
            for check in verdicts[_pair_key((machine, spool_state))].reasons
            if check.state == HOLD and check.name not in DRIED_AWAY
        ]
        for machine in machines
    ]
    if not holds:
        return ReadinessCheck(
            "printer", HOLD, "There is no printer in use.", "Add one on the machines page.", "fit"
        )
    fewest = min(holds, key=len)
    return fewest[0] if fewest else None


def _drying_ahead(
    to_dry: list[SpoolState], dryers: Dryers, rooms: dict[int, Climate], now: datetime
) -> dict[int, tuple[Place, DryingAhead]]:
    """The dryer that has each spool ready first, by spool id: all of them in one call of the physics.

    A spool may join what a dryer does now, or have it to itself when its runs are over; the moisture until
    then is taken as it is. A plan of its own for each, with how long it stays good after, would take queries
    and seconds that this page has not got; the spool's page has them.
    """
    tries: list[tuple[SpoolState, Place, float, datetime, list[str]]] = []
    for spool_state, dryer in product(to_dry, dryers.places):
        runs = dryers.runs_in(dryer)
        ends = [run.start + timedelta(hours=run.planned_hours) for run in runs]
        alone_c = suggested_set_point_c(spool_state.spool, dryer)
        in_the_way = [pretty(run.spool.code) for run in runs if run.set_point_c != alone_c]
        tries.append((spool_state, dryer, alone_c, max([now, *ends]), in_the_way))
        # To join a run in its first stage takes a plan of its own.
        if any(end > now for end in ends) and not any(run.change_at and now < run.change_at for run in runs):
            tries.append(
                (spool_state, dryer, joining_set_point_c(spool_state.spool, dryer, dryers.runs), now, [])
            )
    lanes = []
    for spool_state, dryer, set_point_c, *_ in tries:
        room = rooms[dryer.pk]
        rh_pct = heated_rh_pct(room.temperature_c, room.rh_pct, set_point_c)
        if spool_state.moisture is not None:
            lanes.append((spool_state.moisture.winding, ConstantAir(0.0, set_point_c, rh_pct, True)))
    targets = [default_target_pct(spool_state.spool) for spool_state, *_ in tries]
    probed = hours_until(lanes, targets, None, DRYING_PROBE_HOURS, below=True)
    best: dict[int, tuple[Place, DryingAhead]] = {}
    for (spool_state, dryer, set_point_c, start, in_the_way), exact in zip(tries, probed, strict=True):
        hours = None if exact is None else ceil(exact * 4) / 4
        plan = DryingAhead(set_point_c, hours, start, in_the_way)
        if spool_state.spool.pk not in best or _is_sooner(plan, best[spool_state.spool.pk][1]):
            best[spool_state.spool.pk] = dryer, plan
    return best


def _is_sooner(plan: DryingAhead, other: DryingAhead) -> bool:
    if plan.ready_at is None or other.ready_at is None:
        return plan.ready_at is not None
    return plan.ready_at < other.ready_at


def _format_clock(at: datetime) -> str:
    local = timezone.localtime(at)
    same_day = local.date() == timezone.localdate()
    return f"{local:%H:%M}" if same_day else f"{local:%a %d %b, %H:%M}"
