"""The dryers of the shop: their runs and dryings ahead, the spools that may share one, and dry storage."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import cached_property
from typing import Any

from django.db.models import QuerySet

from spools.air.climate import Climate, room_airs
from spools.drying import heat_budget
from spools.drying.caps import compute_cap, may_join
from spools.drying.forecast import estimate_dry_times
from spools.drying.gate import open_runs, stays_without_run
from spools.drying.options import Slot, next_quarter
from spools.drying.storage import Storage, load_storages
from spools.inventory.prints import PrintsBySpool, find_free_start, load_prints
from spools.models import DryingRun, Place, PlannedDrying, PrintRequest, Spool, SpoolBoard, Stay
from spools.models.board import is_fresh
from spools.moisture.state import Moisture, moisture_of
from spools.physics_inputs import ConstantAir

# A spool that smells of one of these is dried only with others that smell of the same. Common practice, no
# source.
SMELLS = {"styrene", "methyl methacrylate", "formaldehyde if overheated"}
# The queue for a dryer holds up to so many requested spools; a drying takes most of a day.
MOST_QUEUED = 20


@dataclass(frozen=True)
class Occupant:
    """A spool that is in a dryer, or is to be, from start to end."""

    spool_id: int
    code: str
    start: datetime
    end: datetime


@dataclass
class Dryers:
    """The dryers by id, with their runs and the dryings ahead, at a time.

    rooms: the air that each takes in. runs: all open runs. dry_at: when each is likely dry, by run id; None:
    not within the forecast. leaves_at: when each is over, by run id. idle: stays in dryers without a run.
    planned: the dryings ahead of the accepted plan of the week, by spool id. queue: spools that are requested for
    a print and not in that plan, the earliest due first; their dryings are added to ``ahead`` when they are advised.
    requested_g: the grams that the earliest of these prints takes, by spool id. queue_choices: of the queue, by spool
    id, once its dryings are placed. prints: those that spools are in or reserved for.
    """

    at: datetime
    places: dict[int, Place]
    rooms: dict[int, Climate]
    runs: Sequence[DryingRun]
    dry_at: Mapping[int, datetime | None]
    leaves_at: Mapping[int, datetime]
    idle: Sequence[Stay]
    planned: Mapping[int, PlannedDrying]
    queue: Sequence[Moisture]
    ahead: dict[int, list[Occupant]] = field(default_factory=dict)
    requested_g: Mapping[int, float] = field(default_factory=dict)
    queue_choices: dict[int, Any] | None = None
    prints: PrintsBySpool = field(default_factory=dict)

    @cached_property
    def storages(self) -> list[Storage]:
        """All places but the dryers. Queries at the first use: all boxes count."""
        return load_storages(self.at)

    def runs_in(self, dryer: Place) -> list[DryingRun]:
        return [run for run in self.runs if run.dryer_id == dryer.pk]

    def list_joinable_runs(self, spool: Spool, dryer: Place) -> list[DryingRun]:
        """The runs that a spool may join now; empty where it may not, or where all of them are over."""
        beside = [run for run in self.runs_in(dryer) if run.spool_id != spool.pk]
        inside = len(beside) + sum(stay.place_id == dryer.pk for stay in self.idle)
        if (
            not beside
            or inside >= capacity_of(dryer, 0)
            or all(self.leaves_at[run.pk] <= self.at for run in beside)
        ):
            return []
        if any(smell_of(run.spool) != smell_of(spool) for run in beside):
            return []
        cap = compute_cap(spool, dryer)
        return beside if all(may_join(cap, run, self.at) for run in beside) else []

    def find_slot(self, spool: Spool, dryer: Place, hours: float, joined: Sequence[DryingRun]) -> Slot | None:
        """The first time at which a spool can dry for so many hours; None where it cannot join now as asked.

        joined: the runs that it joins; empty: it has the dryer to itself.
        """
        takes = timedelta(hours=hours)
        ahead = [occupant for occupant in self.ahead.get(dryer.pk, ()) if occupant.spool_id != spool.pk]
        ahead.sort(key=lambda occupant: (occupant.start, occupant.spool_id))
        prints = self.prints.get(spool.pk, [])
        start = next_quarter(find_free_start(prints, self.at, hours))
        if joined:
            if start > next_quarter(self.at):
                return None
            if any(occupant.start < start + takes for occupant in ahead):
                return None
            return Slot(start, [], [], [run.spool.code for run in joined])
        beside = [run for run in self.runs_in(dryer) if run.spool_id != spool.pk]
        wait_for = [run.spool.code for run in beside if self.leaves_at[run.pk] > self.at]
        take_out = [run.spool.code for run in beside if self.leaves_at[run.pk] <= self.at]
        take_out += [
            stay.spool.code
            for stay in self.idle
            if stay.place_id == dryer.pk and stay.spool_id != spool.pk and stay.start <= self.at
        ]
        start = max([start, *(self.leaves_at[run.pk] for run in beside)])
        for occupant in ahead:
            if start + takes <= occupant.start:
                break
            start = max(start, occupant.end)
            wait_for.append(occupant.code)
        # Later than that it may come to a print that is planned.
        start = next_quarter(find_free_start(prints, start, hours))
        return Slot(start, wait_for, take_out, [])

    def find_planned_slot(self, planned: PlannedDrying) -> Slot:
        """The start of a drying of the accepted plan: its planned time, or the first possible where that is over."""
        inside = [run for run in self.runs_in(planned.dryer) if run.spool_id != planned.spool_id]
        alike = [run for run in inside if (run.change_at, run.set_point_c) == (None, planned.set_point_c)]
        shares = inside if planned.first_hours is None and len(alike) == len(inside) else []
        beside = [] if shares else inside
        soonest = max(planned.start, next_quarter(self.at))
        start = max([soonest, *(self.leaves_at[run.pk] for run in beside)])
        late = planned.start if planned.start > self.at else self.at
        return Slot(
            start if beside or planned.start <= self.at else planned.start,
            [run.spool.code for run in beside if self.leaves_at[run.pk] > late],
            [run.spool.code for run in beside if self.leaves_at[run.pk] <= self.at],
            [run.spool.code for run in shares if self.leaves_at[run.pk] > start],
        )

    def heated_air(self, dryer: Place, celsius: float, hours: float, spools: int) -> ConstantAir:
        """The air in a dryer at a set point in which so many spools dry, for some hours."""
        return self.rooms[dryer.pk].heated(celsius, hours, spools)

    def add_ahead(self, spool: Spool, dryer_id: int, start: datetime, end: datetime) -> None:
        """Reserve a dryer for a spool from start to end."""
        occupant = Occupant(spool.pk, spool.code, start, end)
        self.ahead.setdefault(dryer_id, []).append(occupant)


def load_dryers(
    at: datetime,
    states: Mapping[int, Moisture] | None = None,
    dry_at: Mapping[int, datetime | None] | None = None,
) -> Dryers:
    """Load all dryers of the shop at a time. The number of queries is fixed.

    states: the moisture of some spools at that time, by spool id, where the caller has it. dry_at: when spools in
    runs are likely dry, by run id, where the caller has computed it; else it is read from the board, or computed
    where that is stale.
    """
    rows = Place.objects.in_use().filter(kind=Place.Kind.DRYER).select_related("room")
    places = {place.pk: place for place in rows}
    runs = list(open_runs())
    rooms = room_airs(places.values(), at) if places else {}
    planned = {row.spool_id: row for row in planned_dryings()} if places else {}
    busy = planned.keys() | {run.spool_id for run in runs}
    requests = _queued_requests(busy) if places else []
    queued = list({request.spool_id: request.spool for request in requests if request.spool}.values())
    dry_by_run = (_stored_dry_times(at) if runs else {}) | dict(dry_at or {})
    unknown = [run for run in runs if run.pk not in dry_by_run]
    states = _complete(states or {}, [*(run.spool for run in unknown), *queued], at)
    computed = estimate_dry_times([(run, states[run.spool_id].winding) for run in unknown], at, rooms)
    dry_by_run |= dict(zip((run.pk for run in unknown), computed, strict=True))
    dryers = Dryers(
        at=at,
        places=places,
        rooms=rooms,
        runs=runs,
        dry_at=dry_by_run,
        leaves_at={run.pk: _leaves_at(run, dry_by_run[run.pk], at) for run in runs},
        idle=stays_without_run(places.values(), at) if places else [],
        planned=planned,
        queue=[states[spool.pk] for spool in queued],
        prints=load_prints() if places else {},
        requested_g={request.spool_id: request.mass_g for request in reversed(requests) if request.spool_id},
    )
    for row in planned.values():
        start = max(row.start, next_quarter(at))
        dryers.add_ahead(row.spool, row.dryer_id, start, start + (row.end - row.start))
    return dryers


def _stored_dry_times(at: datetime) -> dict[int, datetime | None]:
    """When spools in runs are likely dry, from the fresh rows of the board, by run id."""
    rows = SpoolBoard.objects.filter(is_fresh(at), run__end=None, run__isnull=False)
    return dict(rows.values_list("run", "run_dry_at"))


def _complete(states: Mapping[int, Moisture], spools: Iterable[Spool], at: datetime) -> dict[int, Moisture]:
    """The moisture of these spools at a time besides that of others, by spool id."""
    missing = [spool for spool in spools if spool.pk not in states]
    return {**states, **(moisture_of(missing, at) if missing else {})}


def planned_dryings() -> QuerySet[PlannedDrying]:
    """The dryings of the accepted plan of the week that are still ahead, in the order of their starts."""
    return PlannedDrying.objects.filter(
        plan__accepted_at__isnull=False, plan__ended_at=None, ended_at=None, run=None, spool__ended_at=None
    ).select_related(
        "plan",
        "spool__feedstock__polymer",
        "spool__feedstock__filler",
        "spool__feedstock__maker",
        "dryer__room",
    )


def _queued_requests(busy: Iterable[int]) -> list[PrintRequest]:
    """The open print requests that name a spool, the earliest due first, without busy spools."""
    requests = PrintRequest.objects.filter(withdrawn_at=None, spool__isnull=False, spool__ended_at=None)
    requests = requests.exclude(spool__in=list(busy)).select_related("spool").order_by("due_at", "pk")
    return list(requests[:MOST_QUEUED])


def _leaves_at(run: DryingRun, dry_at: datetime | None, at: datetime) -> datetime:
    """The time when a run is over: dry and its planned hours past, or its heat budget used up."""
    finished_at = max(run.planned_end, dry_at or at, at)
    heat_ends_at = heat_budget.used_up_at(run, at)
    leaves_at = finished_at if heat_ends_at is None else min(finished_at, heat_ends_at)
    return at if leaves_at <= at else next_quarter(leaves_at)


def smell_of(spool: Spool) -> str:
    """The smell of a spool that may share a dryer only with spools of the same smell; empty for most."""
    emission = spool.feedstock.polymer.emission
    return emission if emission in SMELLS else ""


def capacity_of(dryer: Place, running: int) -> int:
    """The number of spools that a dryer holds: one where it is not recorded, at least as many as are in it."""
    return max(dryer.spool_capacity or 1, running)
