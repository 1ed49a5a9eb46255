"""The best spool and toolhead for each material, from columns of the board: no verdict is judged for a pair.

The worst of a few small states decides: that of the spool in the air at the toolhead, that of its material on the
toolhead, and whether it holds enough. Among spools of a feedstock with equal states only the fullest counts, and
among equal toolheads only the first; so the work grows with the spools plus the toolheads.
"""

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping
from datetime import datetime
from functools import cache
from typing import NamedTuple

from maintenance.board.toolheads import MaterialState, ToolheadRow
from maintenance.readiness.builder import compute_tail_g
from maintenance.readiness.inputs import LEAST_JOB_G, MaterialInputs
from maintenance.readiness.occupation import NOTHING_AHEAD, Occupation
from maintenance.readiness.verdict import CAUTION, CLEAR, HOLD, STATES
from spools.board import board as spool_board
from spools.board.airs import AirClass
from spools.board.rows import moisture_state
from spools.models import SpoolBoard
from spools.models.board import decode_outlooks, nearest_air

# A state as its number in STATES.
Rank = int


class SpoolColumns(NamedTuple):
    """The columns of a spool's row that the choice depends on."""

    spool: int
    feedstock: int
    mass_g: float
    low_g: float
    high_g: float
    over_clear: float
    over_hold: float
    run: int | None
    ready_at: datetime | None
    outlooks_json: bytes


COLUMNS = ["spool", "spool__feedstock", "mass_g", "low_g", "high_g", "over_clear", "over_hold"]
COLUMNS += ["run", "ready_at", "outlooks_json"]


def columns_of(row: SpoolBoard, feedstock_id: int, reserved_g: float) -> SpoolColumns:
    """Those of a row, without the grams that are reserved."""
    return SpoolColumns(
        row.spool_id,
        feedstock_id,
        row.mass_g - reserved_g,
        row.low_g - reserved_g,
        row.high_g - reserved_g,
        row.over_clear,
        row.over_hold,
        row.run_id,
        row.ready_at,
        bytes(row.outlooks_json),
    )


class Pair(NamedTuple):
    """A spool on a toolhead, in the order of preference: the smallest is the best.

    The best state, then what is loaded there, the fewest reasons, the most filament.
    """

    state: Rank
    other_is_loaded: bool
    reasons: int
    negative_mass_g: float
    toolhead: int
    spool: int


def load_columns(now: datetime, occupation: Occupation = NOTHING_AHEAD) -> list[SpoolColumns]:
    """The columns of all spools in use, as they are stored, without the grams that are reserved. One query."""
    columns = [SpoolColumns(*row) for row in spool_board.rows_in_use().order_by("pk").values_list(*COLUMNS)]
    if not occupation.rows:
        return columns
    for number, spool in enumerate(columns):
        if reserved_g := occupation.sum_reserved_g(spool.spool):
            low_g, high_g = spool.low_g - reserved_g, spool.high_g - reserved_g
            columns[number] = spool._replace(mass_g=spool.mass_g - reserved_g, low_g=low_g, high_g=high_g)
    return columns


def choose_pairs(
    spools: Iterable[SpoolColumns],
    machines: Mapping[int, ToolheadRow],
    airs: Mapping[int, AirClass],
    loaded: Mapping[int, int],
    materials: Mapping[int, MaterialInputs],
    tails_mm: Mapping[int, float],
    fed_airs: Mapping[int, AirClass] | None = None,
    occupation: Occupation = NOTHING_AHEAD,
) -> dict[int, Pair]:
    """The best pair of each feedstock that has one, by feedstock id; a pair on hold is none.

    airs, tails_mm: at each toolhead, and the length of its feed path that cannot be fed, by its id. loaded: the toolhead
    of each spool that is on one. fed_airs: of the loaded spools that are fed from a dry box. spools: without the grams
    that are reserved.
    """
    fed_airs = fed_airs or {}
    classes = sorted({*airs.values(), *fed_airs.values()})
    number_of = {air: number for number, air in enumerate(classes)}
    in_air = _states_in_air(classes)
    by_feedstock: dict[int, list[tuple[SpoolColumns, tuple[Rank, ...]]]] = defaultdict(list)
    for spool in spools:
        ranks = _with_busy(in_air(spool), occupation.spool_ranks.get(spool.spool, 0))
        by_feedstock[spool.feedstock].append((spool, ranks))
    on_toolhead = {spool: toolhead for spool, toolhead in loaded.items() if toolhead in machines}
    chosen = {}
    for feedstock, candidates in by_feedstock.items():
        material = materials[feedstock]
        # Of toolheads with equal states the first.
        alike: dict[tuple[int, str, int, float], int] = {}
        for pk in sorted(machines):
            state = _state_on(machines, pk, feedstock, occupation)
            tail_g = compute_tail_g(tails_mm[pk], material)
            alike.setdefault((number_of[airs[pk]], state.state, state.reasons, tail_g), pk)
        # Of spools with equal states the fullest; nearly empty ones are compared one by one.
        most_tail_g = max((tail_g for *_, tail_g in alike), default=0.0)
        fullest: dict[tuple, tuple[SpoolColumns, tuple[Rank, ...]]] = {}
        for spool, states in candidates:
            enough = spool.low_g - most_tail_g >= LEAST_JOB_G
            key = states, spool.run is None, None if enough else spool.spool
            if key not in fullest or spool.mass_g > fullest[key][0].mass_g:
                fullest[key] = spool, states
        pairs = [
            _pair(spool, states[air], state, reasons, tail_g, toolhead, on_toolhead)
            for spool, states in fullest.values()
            for (air, state, reasons, tail_g), toolhead in alike.items()
        ]
        for spool, states in candidates:
            toolhead = on_toolhead.get(spool.spool)
            if toolhead is not None:
                state = _state_on(machines, toolhead, feedstock, occupation)
                tail_g = compute_tail_g(tails_mm[toolhead], material)
                air = number_of[fed_airs.get(spool.spool, airs[toolhead])]
                pairs.append(
                    _pair(spool, states[air], state.state, state.reasons, tail_g, toolhead, on_toolhead)
                )
        best = min(pairs, default=None)
        if best is not None and best.state < STATES.index(HOLD):
            chosen[feedstock] = best
    return chosen


def pair_with_toolheads(
    spool: SpoolColumns,
    machines: Mapping[int, ToolheadRow],
    airs: Mapping[int, AirClass],
    loaded: Mapping[int, int],
    material: MaterialInputs,
    tails_mm: Mapping[int, float],
    occupation: Occupation = NOTHING_AHEAD,
) -> dict[int, Pair]:
    """A spool on each toolhead, by its id. Arguments as those of choose_pairs."""
    classes = sorted(set(airs.values()))
    ranks = _with_busy(_states_in_air(classes)(spool), occupation.spool_ranks.get(spool.spool, 0))
    number_of = {air: number for number, air in enumerate(classes)}
    states = {pk: _state_on(machines, pk, spool.feedstock, occupation) for pk in machines}
    return {
        pk: _pair(
            spool,
            ranks[number_of[airs[pk]]],
            state.state,
            state.reasons,
            compute_tail_g(tails_mm[pk], material),
            pk,
            loaded,
        )
        for pk, state in states.items()
    }


def _with_busy(ranks: tuple[Rank, ...], busy: Rank) -> tuple[Rank, ...]:
    return tuple([max(rank, busy) for rank in ranks]) if busy else ranks


def _state_on(
    machines: Mapping[int, ToolheadRow], toolhead: int, feedstock: int, occupation: Occupation
) -> MaterialState:
    """The state of a material on a toolhead, and whether that is busy."""
    state, busy = machines[toolhead].materials[feedstock], occupation.toolhead_ranks.get(toolhead, 0)
    if not busy:
        return state
    return MaterialState("", STATES[max(busy, STATES.index(state.state))], state.reasons + 1)


def _pair(
    spool: SpoolColumns,
    moisture: Rank,
    state: str,
    reasons: int,
    tail_g: float,
    toolhead: int,
    on_toolhead: Mapping[int, int],
) -> Pair:
    checks = [moisture, STATES.index(quantity_state(spool.low_g, spool.high_g, tail_g))]
    if spool.run is not None:
        checks.append(STATES.index(HOLD))
    return Pair(
        max(STATES.index(state), *checks),
        on_toolhead.get(spool.spool) != toolhead,
        reasons + sum(check > 0 for check in checks),
        -spool.mass_g,
        toolhead,
        spool.spool,
    )


def quantity_state(low_g: float, high_g: float, tail_g: float) -> str:
    """The state of the amount for a small job, which shrinks to the spool's content, down to LEAST_JOB_G."""
    if low_g - tail_g >= LEAST_JOB_G:
        return CLEAR
    return CAUTION if high_g - tail_g >= LEAST_JOB_G else HOLD


def _states_in_air(classes: list[AirClass]) -> Callable[[SpoolColumns], tuple[Rank, ...]]:
    """A function that returns the rank of a spool's moisture check in each of these airs."""

    # The shares are those of some dozens of members, so few pairs of them differ.
    @cache
    def rank(over_clear: float, over_hold: float) -> Rank:
        return STATES.index(moisture_state(over_clear, over_hold))

    @cache
    def nearest(row_airs: tuple[tuple[float, float, bool], ...]) -> tuple[int, ...]:
        return tuple(nearest_air(row_airs, air) for air in classes)

    def ranks(spool: SpoolColumns) -> tuple[Rank, ...]:
        outlooks = decode_outlooks(spool.outlooks_json)
        if not outlooks:
            # Computed before the shop had a printer, and not yet again.
            return (rank(spool.over_clear, spool.over_hold),) * len(classes)
        printed = [
            outlooks[number]
            for number in nearest(tuple([(air.temperature_c, air.rh_pct, air.moving) for air in outlooks]))
        ]
        return tuple([rank(air.printed_over_clear, air.printed_over_hold) for air in printed])

    return ranks
