"""Today: the machines as they are, the materials that are safe to print now, and when the others can be."""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, NamedTuple

from django.db.models import Min, QuerySet
from django.utils import timezone
from django.utils.translation import gettext as _

from maintenance.board import toolheads
from maintenance.board.choice import Pair, SpoolColumns, choose_pairs, load_columns, quantity_state
from maintenance.board.pictures import MachinePicture, picture_machines
from maintenance.board.shop import Board, load_airs, load_loaded, load_stock, load_toolheads
from maintenance.board.toolheads import ToolheadRow
from maintenance.readiness.builder import build_material_inputs, compute_tail_g
from maintenance.readiness.feeding_places import FeedPlaces, load_feed_places
from maintenance.readiness.inputs import MaterialInputs
from maintenance.readiness.occupation import Occupation, Occupied, load_occupation
from maintenance.readiness.verdict import HOLD, STATES, Verdict
from maintenance.reminders import queries
from maintenance.reminders.conditions.moisture import find_damp_spools
from spools.board import board as spool_board
from spools.board.airs import AirClass, air_class
from spools.inventory.queries import load_feedstocks, load_with_materials
from spools.models import Feedstock, Place, Spool, SpoolBoard
from spools.statements import Statement
from spools.wording import format_percent, round_up_time

from .models import Fitting, Toolhead

# Checks whose holds end with a drying.
DRIED_AWAY = {"moisture", "drying"}
MACHINES_SHOWN = 24
# A material in words, and its colour.
Name = tuple[str, str]


@dataclass(frozen=True)
class Row:
    """A material in a colour, with its spool on the toolhead that suits it best, and the verdict for a small job there.

    For a material on hold: the spool that is ready first. toolhead and verdict are None in a shop without printers.
    """

    material: str
    colour: str
    spool: Spool
    board: SpoolBoard
    toolhead: Toolhead | None
    verdict: Verdict | None
    # The toolhead in words, with the slot where the spool is in one of several.
    site: str = ""
    # Whether the spool is on that toolhead.
    is_loaded: bool = False

    @property
    def ready_at(self) -> datetime | None:
        """When its drying is done and its toolhead is free, where nothing else holds it; None otherwise.

        Up to the next quarter of an hour, so that it does not move with each look.
        """
        at = self._find_ready_at()
        return at and round_up_time(at)

    @property
    def needs_drying(self) -> bool:
        """Whether a drying would end a hold of it."""
        return self.verdict is not None and any(check.name == "moisture" for check in self.verdict.holds)

    def _find_ready_at(self) -> datetime | None:
        holds = [] if self.verdict is None else self.verdict.holds
        if any(check.name not in DRIED_AWAY | {"busy"} for check in holds):
            return None
        free_at = [datetime.fromisoformat(c.statement.values["end"]) for c in holds if c.name == "busy"]
        if any(check.name in DRIED_AWAY for check in holds):
            return self.board.ready_at and max([self.board.ready_at, *free_at])
        return max(free_at, default=None)


@dataclass(frozen=True)
class Today:
    """damp: how many opened spools are too wet that nobody wants now.

    due: a query, since a large shop has thousands of reminders and a page shows a few. behind: how many spools wait
    for the worker; computed_at: of the oldest answer in it.
    """

    ready: list[Row]
    later: list[Row]
    due: QuerySet[Any]
    damp: int
    behind: int
    computed_at: datetime
    # Jobs that print now.
    running: list[Occupied]
    # By name, at most MACHINES_SHOWN; machine_count: all.
    machines: list[MachinePicture]
    machine_count: int


class Step(NamedTuple):
    """One of the first things to do in a new shop: its page, and whether it is done. Its words have its page's name."""

    page: str
    is_done: bool

    @property
    def statement(self) -> Statement:
        return Statement(f"first_step.{self.page}")


def list_first_steps() -> list[Step]:
    """The first steps of a new shop, in the order in which they help most."""
    return [
        Step("place-new", Place.objects.exclude(kind=Place.Kind.PRINTER).exists()),
        Step("machine-new", Toolhead.objects.exists()),
        Step("machines", Fitting.objects.valid().exists()),
        Step("feedstock-new", Feedstock.objects.exists()),
        Step("spool-receive", Spool.objects.exists()),
    ]


def build_today(now: datetime | None = None, user: Any = None) -> Today:
    """The materials and reminders of the shop at a time, for small jobs. The number of queries is fixed.

    user: whose order of reminders applies.
    """
    now = now or timezone.now()
    behind = spool_board.catch_up(now)
    occupation = load_occupation(now)
    spools = load_columns(now, occupation)
    in_stock = {spool.feedstock for spool in spools}
    feedstocks = load_feedstocks(in_stock)
    materials = {pk: build_material_inputs(feedstock) for pk, feedstock in feedstocks.items()}
    heads = load_toolheads()
    airs, loaded, feed_places = load_airs(heads.values(), now), load_loaded(), load_feed_places()
    machines = toolheads.read(heads, materials, now, inputs=False)
    tails_mm = {pk: head.tail_mm for pk, head in heads.items()}
    on_toolheads = {spool: slot.toolhead for spool, slot in loaded.items()}
    best = choose_pairs(
        spools, machines, airs, on_toolheads, materials, tails_mm, _fed_airs(feed_places), occupation
    )
    names = {pk: (material_name(feedstock), feedstock.colour) for pk, feedstock in feedstocks.items()}
    pairs: dict[Name, Pair] = {}
    for feedstock, pair in best.items():
        pairs[names[feedstock]] = min(pair, pairs.get(names[feedstock], pair))
    chosen: dict[Name, tuple[int, int | None]] = {
        name: (pair.spool, pair.toolhead) for name, pair in pairs.items()
    }
    held_spools = [spool for spool in spools if names[spool.feedstock] not in pairs]
    chosen |= _choose_held(held_spools, names, machines, materials, tails_mm, occupation)
    printers = sorted({head.printer for head in heads.values()}, key=lambda printer: printer.name)
    pictured = {pk for pk, head in heads.items() if head.printer in printers[:MACHINES_SHOWN]}
    on_pictures = {spool for spool, head in on_toolheads.items() if head in pictured}
    board_rows = spool_board.read({spool for spool, _ in chosen.values()} | on_pictures, now)
    shown = Board(
        at=now,
        spools=load_with_materials(board_rows),
        rows=board_rows,
        toolheads=heads,
        machines=toolheads.read(
            {head for _, head in chosen.values() if head is not None}
            | {on_toolheads[spool] for spool in on_pictures},
            now=now,
        ),
        materials=materials,
        airs=airs,
        loaded=loaded,
        stock=load_stock(),
        feed_places=feed_places,
        occupation=occupation,
    )
    ready, later = _list_rows(chosen, shown, now)
    # By the database: building ten thousand times takes longer than the rest of their rows.
    [oldest] = spool_board.rows_in_use().aggregate(Min("computed_at")).values()
    running = [row for row in occupation.rows if row.printing]
    times = {row.computed_at for row in machines.values()} | ({oldest} if oldest else set())
    due, damp = queries.open_reminders(now, user), find_damp_spools().count()
    pictures = picture_machines(shown, printers[:MACHINES_SHOWN])
    computed_at = min(times, default=now)
    return Today(ready, later, due, damp, behind, computed_at, running, pictures, len(printers))


def _list_rows(
    chosen: dict[Name, tuple[int, int | None]], shown: Board, now: datetime
) -> tuple[list[Row], list[Row]]:
    """The rows that may be printed now, the best first, and the others, the earliest first."""
    rows = [_row(*name, spool, head, shown) for name, (spool, head) in chosen.items() if spool in shown.rows]
    ready = [row for row in rows if row.verdict is not None and row.verdict.state != HOLD]
    later = [row for row in rows if row not in ready]
    ready.sort(
        key=lambda row: (STATES.index(row.verdict.state if row.verdict else HOLD), row.material, row.colour)
    )
    later.sort(key=lambda row: (row.ready_at is None, row.ready_at or now, row.material, row.colour))
    return ready, later


def _fed_airs(feed_places: FeedPlaces) -> dict[int, AirClass]:
    """The air of the spools that are fed from a place, by their ids."""
    return {spool: air_class(*feed_places.air(place)[1:4]) for (_, spool), place in feed_places.fed.items()}


def material_name(feedstock: Feedstock) -> str:
    """The material of a feedstock in words: polymer and filler."""
    if feedstock.filler is None:
        return feedstock.polymer.name
    return _("{polymer} with {share} {filler}").format(
        polymer=feedstock.polymer,
        share=format_percent(100 * feedstock.filler_mass_fraction),
        filler=_(feedstock.filler.name),
    )


def _choose_held(
    held_spools: Iterable[SpoolColumns],
    names: Mapping[int, Name],
    machines: Mapping[int, ToolheadRow],
    materials: Mapping[int, MaterialInputs],
    tails_mm: Mapping[int, float],
    occupation: Occupation,
) -> dict[Name, tuple[int, int | None]]:
    """For each material on hold the spool that is ready first, and the toolhead that suits it best."""
    heads: dict[int, int] = {}
    held: dict[Name, list[tuple[tuple, int, int | None]]] = defaultdict(list)
    for spool in held_spools:
        feedstock = spool.feedstock
        if machines and feedstock not in heads:
            heads[feedstock] = min(
                machines,
                key=lambda pk: (*_rank_on(machines[pk], feedstock), occupation.toolhead_ranks.get(pk, 0), pk),
            )
        head = heads.get(feedstock)
        other_hold = head is None or _is_held_there(
            spool, machines[head], compute_tail_g(tails_mm[head], materials[feedstock])
        )
        ready_at = None if other_hold else spool.ready_at
        ready_s = ready_at.timestamp() if ready_at else 0.0
        key = ready_at is None, ready_s, other_hold, -spool.mass_g
        held[names[feedstock]].append((key, spool.spool, head))
    return {name: min(rows)[1:] for name, rows in held.items()}


def _rank_on(machine: ToolheadRow, feedstock: int) -> tuple[int, int]:
    state = machine.materials[feedstock]
    return STATES.index(state.state), state.reasons


def _is_held_there(spool: SpoolColumns, machine: ToolheadRow, tail_g: float) -> bool:
    """Whether a check apart from moisture holds the spool on this machine."""
    return HOLD in (
        machine.materials[spool.feedstock].state,
        quantity_state(spool.low_g, spool.high_g, tail_g),
    )


def _row(material: str, colour: str, spool_id: int, toolhead_id: int | None, board: Board) -> Row:
    spool, row = board.spools[spool_id], board.rows[spool_id]
    if toolhead_id is None:
        return Row(material, colour, spool, row, None, None)
    toolhead, verdict = board.toolheads[toolhead_id], board.verdict(toolhead_id, spool_id)
    site, current = board.name_site(toolhead, spool_id), board.find_toolhead(spool_id)
    return Row(material, colour, spool, row, toolhead, verdict, site, current == toolhead)
