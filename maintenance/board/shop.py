"""The board of the shop: rows of spools and toolheads, and the verdicts of small jobs that follow from them.

Every page and the API read the verdict of a small job here, so they agree. A job with its own numbers is judged
from the facts by maintenance/readiness.
"""

from collections import Counter
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, NamedTuple

from django.db.models import QuerySet, Sum
from django.utils import timezone

from background.prepared import Ids, PreparedQuery, PreparedRows
from maintenance.board import toolheads
from maintenance.board.choice import columns_of, pair_with_toolheads
from maintenance.board.toolheads import ToolheadRow
from maintenance.models import Loading, StockEntry, Toolhead
from maintenance.readiness.builder import (
    PairKey,
    build_material_inputs,
    compute_tail_g,
    describe_run,
    verdicts,
)
from maintenance.readiness.feeding_places import NO_FEED_PLACES, FeedPlaces, load_feed_places
from maintenance.readiness.inputs import (
    FeedPlace,
    JobMoisture,
    MaterialInputs,
    PrintSite,
    ReadinessInputs,
    SpoolInputs,
    ToolheadInputs,
    small_job,
)
from maintenance.readiness.occupation import NOTHING_AHEAD, Occupation, load_occupation
from maintenance.readiness.rules import judge
from maintenance.readiness.states import MachineState
from maintenance.readiness.verdict import STATES, Verdict
from spools.air.climate import room_airs
from spools.board import board as spool_board
from spools.board.airs import AirClass, air_class
from spools.codes import pretty
from spools.inventory.queries import load_with_materials
from spools.models import Spool, SpoolBoard
from spools.physics_inputs import SMALL_JOB_G


class Slot(NamedTuple):
    """A slot of a toolhead, by the id of that, and its number from 1."""

    toolhead: int
    number: int


NO_SLOT = Slot(0, 0)


@dataclass(frozen=True)
class Board:
    """Fresh rows of spools and toolheads. spools: with polymer and filler. airs: at each toolhead, by its id.

    loaded: the site of each spool that is on a toolhead, by its id. feed_places: those of the shop.
    """

    at: datetime
    spools: Mapping[int, Spool]
    rows: Mapping[int, SpoolBoard]
    toolheads: Mapping[int, Toolhead]
    machines: Mapping[int, ToolheadRow]
    materials: Mapping[int, MaterialInputs]
    airs: Mapping[int, AirClass]
    loaded: Mapping[int, Slot]
    # How many of each kind of part are in the drawer, by its name: facts about other machines change it.
    stock: Mapping[str, int]
    feed_places: FeedPlaces = NO_FEED_PLACES
    occupation: Occupation = NOTHING_AHEAD

    @property
    def computed_at(self) -> datetime:
        """The time of the oldest row."""
        times = {row.computed_at for row in self.rows.values()}
        times |= {row.computed_at for row in self.machines.values()}
        return min(times, default=self.at)

    def verdict(self, toolhead_id: int, spool_id: int, fed_from: int | None = None) -> Verdict:
        """The verdict for a small job of this spool on this toolhead. KeyError: one of them is not in use."""
        return judge(self.inputs(toolhead_id, spool_id, fed_from))

    def order_verdicts(
        self, spool_id: int, judged: Iterable[tuple[Toolhead, Verdict]]
    ) -> list[tuple[Toolhead, Verdict]]:
        """The verdicts of a spool on toolheads: where it is loaded first, then where it prints best, free ones first."""
        free = self._find_free_toolheads()
        return sorted(
            judged,
            key=lambda pair: (
                self.loaded.get(spool_id, NO_SLOT).toolhead != pair[0].pk,
                STATES.index(pair[1].state),
                pair[0].pk not in free,
                len(pair[1].reasons),
                str(pair[0]),
            ),
        )

    def _find_free_toolheads(self) -> set[int]:
        """The ids of the toolheads with a free slot."""
        taken = Counter(slot.toolhead for slot in self.loaded.values())
        return {pk for pk, head in self.toolheads.items() if taken[pk] < head.slots}

    def rank_toolheads(self, spool_id: int, search: str = "") -> list[int]:
        """The ids of the toolheads whose name has each word of a text, by the stored states: no pair is judged.

        Where the spool is loaded first, then where it is reserved, then where it prints best: by the worst check, then
        where a slot is free, then by the number of checks that are not clear, such as that of an unfit nozzle.
        """
        spool, row = self.spools[spool_id], self.rows[spool_id]
        pairs = pair_with_toolheads(
            columns_of(row, spool.feedstock_id, self.occupation.sum_reserved_g(spool_id)),
            self.machines,
            self.airs,
            {spool_id: self.loaded.get(spool_id, NO_SLOT).toolhead},
            self.materials[spool.feedstock_id],
            {pk: head.tail_mm for pk, head in self.toolheads.items()},
            self.occupation,
        )
        names, free = {pk: str(head) for pk, head in self.toolheads.items()}, self._find_free_toolheads()
        words = search.casefold().split()
        reserved = {row.toolhead_id for row in self.occupation.with_spool(spool_id)}
        return sorted(
            (pk for pk, name in names.items() if all(word in name.casefold() for word in words)),
            key=lambda pk: (
                pairs[pk].other_is_loaded,
                pk not in reserved,
                pairs[pk].state,
                pk not in free,
                pairs[pk].reasons,
                names[pk],
            ),
        )

    def with_inputs(self, toolhead_ids: Collection[int]) -> "Board":
        """The board with the readiness inputs of these toolheads alone. One query."""
        return replace(self, machines=toolheads.load_inputs(self.machines, toolhead_ids))

    def find_toolhead(self, spool_id: int) -> Toolhead | None:
        """The toolhead that a spool is on."""
        return self.toolheads.get(self.loaded.get(spool_id, NO_SLOT).toolhead)

    def name_site(self, toolhead: Toolhead, spool_id: int) -> str:
        """A toolhead in words, with the slot that the spool is in where it has several."""
        slot = self.loaded.get(spool_id, NO_SLOT)
        return toolhead.name_slot(slot.number) if slot.toolhead == toolhead.pk else str(toolhead)

    def list_slots(self, toolhead: Toolhead) -> dict[int, int | None]:
        """The id of the spool in each slot of a toolhead, by its number."""
        taken = {row.number: spool for spool, row in self.loaded.items() if row.toolhead == toolhead.pk}
        return {number: taken.get(number) for number in range(1, toolhead.slots + 1)}

    def inputs(self, toolhead_id: int, spool_id: int, fed_from: int | None = None) -> ReadinessInputs:
        """The readiness inputs of a pair, for a small job. fed_from: of its loading, where none is given."""
        spool, row, machine = self.spools[spool_id], self.rows[spool_id], self.machines[toolhead_id]
        material, toolhead = self.materials[spool.feedstock_id], self._with_stock(machine.inputs)
        if fed_from is None:
            fed_from = self.feed_places.fed.get((toolhead_id, spool_id))
        places = self.feed_places.places
        site = PrintSite(
            toolhead.name,
            _print_small_job(row, self.airs[toolhead_id] if fed_from is None else self._air_in(fed_from)),
            compute_tail_g(toolhead.tail_mm, material),
            "" if fed_from is None else str(places[fed_from]),
            [
                FeedPlace(str(place), _print_small_job(row, self._air_in(pk)))
                for pk, place in places.items()
                if place.feeds
            ],
            self.occupation.list_jobs(toolhead_id, spool_id),
        )
        job = small_job(material, toolhead.hot_end_max_c, toolhead.bed_limit_c)
        reserved_g = self.occupation.sum_reserved_g(spool_id)
        return ReadinessInputs(_spool_inputs(spool, row, reserved_g), site, material, toolhead, job)

    def _air_in(self, feed_place: int) -> AirClass:
        return air_class(*self.feed_places.air(feed_place)[1:4])

    def _with_stock(self, toolhead: ToolheadInputs) -> ToolheadInputs:
        return _add_stock(toolhead, self.stock)


def _add_stock(toolhead: ToolheadInputs, stock: Mapping[str, int]) -> ToolheadInputs:
    parts = {role: replace(part, in_stock=stock.get(part.name, 0)) for role, part in toolhead.parts.items()}
    return replace(toolhead, parts=parts)


def load_machines(toolhead_ids: Collection[int], now: datetime | None = None) -> dict[int, MachineState]:
    """The states of toolheads now for a job with its own numbers, by their ids: what changes seldom is from the board."""
    now = now or timezone.now()
    heads = load_toolheads(toolhead_ids)
    rows, climates = toolheads.read(heads, now=now), room_airs([h.printer.place for h in heads.values()], now)
    stock, feed_places, occupation = load_stock(), load_feed_places(), load_occupation(now)
    return {
        pk: MachineState(
            head,
            {},
            climates[head.printer.place_id],
            [],
            [],
            feed_places,
            occupation,
            _add_stock(rows[pk].inputs, stock),
        )
        for pk, head in heads.items()
    }


def load_board(
    spool_ids: Collection[int] | None = None,
    toolhead_ids: Collection[int] | None = None,
    now: datetime | None = None,
    preloaded: Iterable[Spool] = (),
    *,
    inputs: bool = True,
) -> Board:
    """The board of these spools and toolheads, or of all in use. The number of queries is fixed.

    preloaded: all these spools, where the caller has them from queries.with_materials(); that saves a query.
    inputs: False where the verdicts of few toolheads are judged, after with_inputs().
    """
    now = now or timezone.now()
    rows = spool_board.read(spool_ids, now)
    spools = {spool.pk: spool for spool in preloaded if spool.pk in rows}
    if not spools:
        spools = load_with_materials(rows)
    feedstocks = {spool.feedstock_id: spool.feedstock for spool in spools.values()}
    materials = {pk: build_material_inputs(feedstock) for pk, feedstock in feedstocks.items()}
    heads = load_toolheads(toolhead_ids)
    machines = toolheads.read(heads, materials, now, inputs=inputs)
    return Board(
        now,
        spools,
        rows,
        heads,
        machines,
        materials,
        load_airs(heads.values(), now),
        load_loaded(),
        load_stock(),
        load_feed_places(),
        load_occupation(now),
    )


def _print_small_job(row: SpoolBoard, air: AirClass) -> JobMoisture:
    outlook = row.outlook(*air)
    assert outlook is not None
    return JobMoisture(
        SMALL_JOB_G,
        outlook.printed_p10_pct,
        outlook.printed_p50_pct,
        outlook.printed_p90_pct,
        outlook.printed_over_clear,
        outlook.printed_over_hold,
    )


def small_job_verdicts(
    pairs: Collection[tuple[Toolhead, Spool]], fed: Mapping[PairKey, int] | None = None
) -> dict[PairKey, Verdict]:
    """The verdict of each pair for a small job, by (toolhead id, spool id).

    From the facts for a spool out of use, and where no printer is in use, whose air the rows would know.

    fed: the ids of the places from which spools would be fed; the others as they are loaded.
    """
    board = load_board({spool.pk for _, spool in pairs}, {toolhead.pk for toolhead, _ in pairs})
    known = {pk for pk, row in board.rows.items() if row.outlooks}
    others = [(toolhead, spool) for toolhead, spool in pairs if spool.pk not in known]
    judged = verdicts(others) if others else {}
    for toolhead, spool in pairs:
        if spool.pk in known:
            pair = toolhead.pk, spool.pk
            judged[pair] = board.verdict(*pair, (fed or {}).get(pair))
    return judged


def load_toolheads(toolhead_ids: Collection[int] | None = None) -> dict[int, Toolhead]:
    """These toolheads, or all in use, with their printers' places, by id. One query."""
    heads = _HEADS_IN_USE.run() if toolhead_ids is None else _HEADS.run(ids=toolhead_ids)
    return {head.pk: head for head in heads}


_WITH_PLACES = ("printer", "printer__place")
_HEADS_IN_USE = PreparedRows(lambda: Toolhead.objects.in_use(), *_WITH_PLACES)
_HEADS = PreparedRows(lambda: Toolhead.objects.filter(pk__in=Ids("ids")), *_WITH_PLACES)


def load_airs(heads: Iterable[Toolhead], now: datetime) -> dict[int, AirClass]:
    """The class of the air at each toolhead, by its id. A fixed number of queries."""
    heads = list(heads)
    climates = room_airs([head.printer.place for head in heads], now)
    return {
        head.pk: air_class(climate.temperature_c, climate.rh_pct, head.printer.place.moved_air)
        for head in heads
        for climate in [climates[head.printer.place_id]]
    }


def load_stock() -> dict[str, int]:
    """How many of each kind of part are in the drawer, by its name. One query."""
    return {name: int(count) for name, count in _STOCK.run()}


def load_loaded() -> dict[int, Slot]:
    """The slot of each spool that is on a toolhead, by the id of the spool. One query."""
    return {spool: Slot(toolhead, number) for spool, toolhead, number in _LOADED.run()}


def _build_stock() -> QuerySet[StockEntry, Any]:
    entries = StockEntry.objects.valid().order_by().values("kind__name").annotate(count=Sum("change"))
    return entries.values_list("kind__name", "count")


_STOCK = PreparedQuery(_build_stock)
_LOADED = PreparedQuery(
    lambda: Loading.objects.present().order_by("pk").values_list("spool", "toolhead", "slot")
)


def _spool_inputs(spool: Spool, row: SpoolBoard, reserved_g: float) -> SpoolInputs:
    return SpoolInputs(
        code=pretty(spool.code),
        low_g=row.low_g,
        likely_g=row.mass_g,
        high_g=row.high_g,
        now=JobMoisture(SMALL_JOB_G, row.p10_pct, row.p50_pct, row.p90_pct, row.over_clear, row.over_hold),
        run=describe_run(row.run),
        dry_advice=row.advice,
        reserved_g=reserved_g,
        decided_by=row.decided_by,
    )
