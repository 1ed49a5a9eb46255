"""Loads the facts that a drying week is planned from: requests, spools, dryers, runs, moisture and air."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property

from django.db.models import Max

from spools.air.climate import Climate, room_airs
from spools.air.hourly import BELIEVED_FOR, HOUR, hour_of
from spools.drying.dryers import capacity_of
from spools.drying.gate import open_runs
from spools.drying.storage import Storage, load_storages
from spools.drying.week.slots import SLOT, SLOTS_H, StaffedHours
from spools.inventory.ledger import Amount, remaining_by_spool
from spools.inventory.prints import PrintsBySpool, SpoolPrint, load_prints
from spools.inventory.queries import with_materials
from spools.models import DryingRun, Place, PrintRequest, Reading, Spool
from spools.moisture.state import Moisture, moisture_of
from spools.physics_inputs import SMALL_JOB_G, ConstantAir

# A spool gets wetter until it goes in, so drying hours are computed anew for each of these parts of the week.
PARTS_H = (0, 6, 12, 24, 48, 96)


@dataclass(frozen=True)
class WeekInputs:
    """The facts of a week that begins at ``begin`` and has so many slots.

    matching, enough: by request id the spools of its material, and those of them that surely hold its grams.
    staffed: the slots with somebody there. bounds: the first slots of the parts of the week, then the last
    slot. changes: the slots around which readings expire, with the places concerned. states: by slot and
    spool id, at each bound for all candidates, at each change for the spools concerned. rooms: by slot and
    dryer id. prints: those that spools are in or reserved for.
    """

    begin: datetime
    slots: int
    requests: Sequence[PrintRequest]
    staffed: Sequence[int]
    runs: Sequence[DryingRun]
    dryers: dict[int, Place]
    matching: dict[int, list[Spool]]
    enough: dict[int, list[Spool]]
    amounts: dict[int, Amount]
    bounds: Sequence[int]
    changes: dict[int, set[int]]
    states: dict[int, dict[int, Moisture]]
    rooms: dict[int, dict[int, Climate]]
    prints: PrintsBySpool
    storages: list[Storage]

    @cached_property
    def spools(self) -> dict[int, Spool]:
        """All spools of a requested material, by id."""
        return _by_id(self.matching)

    @cached_property
    def candidates(self) -> dict[int, Spool]:
        """The spools that surely hold enough for a request, by id."""
        return _by_id(self.enough)

    def surely_g(self, spool: Spool) -> int:
        """The grams that are surely on a spool and not reserved."""
        return _surely_free_g(self.amounts[spool.pk], self.prints.get(spool.pk, []))

    def requests_for(self, spool: Spool) -> list[PrintRequest]:
        """The requests that a spool can serve."""
        return [request for request in self.requests if spool in self.enough[request.pk]]

    def masses_g(self, spool: Spool) -> list[float]:
        """The outermost grams whose moisture counts: those of the smallest print and of the largest."""
        wanted_g = [request.mass_g for request in self.requests_for(spool)] or [SMALL_JOB_G]
        return sorted({min(SMALL_JOB_G, *wanted_g), max(wanted_g)})

    def wanted_g(self, spool: Spool) -> float | None:
        """The outermost grams that requests may use of a spool; None: all of it."""
        wanted_g = sum(request.mass_g for request in self.requests_for(spool))
        return wanted_g if wanted_g < self.surely_g(spool) else None

    def places_near(self, spool: Spool) -> set[int]:
        """The ids of the places whose readings count for a spool: where it is, and all dryers."""
        return _places_near(self.states[0][spool.pk], self.dryers.values())

    def dryer_air(self, slot: int, dryer: Place, celsius: float, hours: float = 0.0) -> ConstantAir:
        """The air in a dryer at a set point, for so many hours from a bound or change on."""
        return self.rooms[slot][dryer.pk].heated(celsius, hours, self.together_in(dryer))

    def slot_at(self, at: datetime) -> int:
        """The last slot that does not begin after a time; 0 for what is overdue."""
        return max(0, (at - self.begin) // SLOT)

    def slot_after(self, at: datetime) -> int:
        """The first slot that begins at a time or after it."""
        return max(0, -((self.begin - at) // SLOT))

    def next_staffed(self, slot: int) -> int:
        """The next slot with somebody there; the same slot where there is none."""
        return next((staffed for staffed in self.staffed if staffed >= slot), slot)

    def running_in(self, dryer: Place) -> int:
        """How many spools are drying in it now."""
        return sum(run.dryer_id == dryer.pk for run in self.runs)

    def together_in(self, dryer: Place) -> int:
        """How many spools may dry in it together: others may be planned beside a spool, as many as fit in."""
        return capacity_of(dryer, self.running_in(dryer))


def load_inputs(
    begin: datetime, slots: int, requests: Sequence[PrintRequest], hours: StaffedHours
) -> WeekInputs:
    """Load the inputs of a week that begins then.

    The number of queries grows only with the number of times at which readings expire.
    """
    dryers = {
        dryer.pk: dryer
        for dryer in Place.objects.in_use().filter(kind=Place.Kind.DRYER).select_related("room")
    }
    runs = list(open_runs())
    spools = list(with_materials().filter(ended_at=None))
    matching = {request.pk: [spool for spool in spools if _is_match(spool, request)] for request in requests}
    amounts = remaining_by_spool(_by_id(matching).values())
    prints = load_prints()
    enough = {
        request.pk: [
            spool
            for spool in matching[request.pk]
            if _surely_free_g(amounts[spool.pk], prints.get(spool.pk, [])) >= request.mass_g
        ]
        for request in requests
    }
    candidates = _by_id(enough).values()
    bounds = [*(hours_on * SLOTS_H for hours_on in PARTS_H if hours_on * SLOTS_H < slots), slots]

    def states_at(slot: int, spools: Iterable[Spool]) -> dict[int, Moisture]:
        return moisture_of(spools, begin + slot * SLOT, preloaded=True)

    states = {bound: states_at(bound, candidates) for bound in bounds}
    near = {spool.pk: _places_near(states[0][spool.pk], dryers.values()) for spool in candidates}
    # Within a part of the week drying takes longest where the air changes, so those slots count as well.
    changes = _load_changes(begin, slots, {place for places in near.values() for place in places})
    for slot in changes.keys() - states.keys():
        states[slot] = states_at(slot, [spool for spool in candidates if changes[slot] & near[spool.pk]])
    return WeekInputs(
        begin=begin,
        slots=slots,
        requests=requests,
        staffed=[slot for slot in range(slots + 1) if hours.at(begin + slot * SLOT)],
        runs=runs,
        dryers=dryers,
        matching=matching,
        enough=enough,
        amounts=amounts,
        bounds=bounds,
        changes=changes,
        states=states,
        prints=prints,
        rooms={slot: room_airs(dryers.values(), begin + slot * SLOT) for slot in states},
        storages=load_storages(),
    )


def _surely_free_g(amount: Amount, prints: Sequence[SpoolPrint]) -> int:
    return math.floor(amount.low_g - sum(row.mass_g for row in prints))


def _is_match(spool: Spool, request: PrintRequest) -> bool:
    """Whether a spool is of the requested material."""
    if request.spool_id is not None:
        return spool.pk == request.spool_id
    if request.feedstock_id is not None:
        return spool.feedstock_id == request.feedstock_id
    return spool.feedstock.polymer_id == request.polymer_id


def _by_id(spools: dict[int, list[Spool]]) -> dict[int, Spool]:
    return {spool.pk: spool for group in spools.values() for spool in group}


def _places_near(state: Moisture, dryers: Iterable[Place]) -> set[int]:
    places = [state.history.current_place, *dryers]
    return {pk for place in places if place for pk in (place.pk, place.room_id) if pk}


def _load_changes(begin: datetime, slots: int, places: set[int]) -> dict[int, set[int]]:
    """The slots around which the last readings of places expire, with the places.

    The air that a dryer takes in changes at once, so the slot before counts too; a spool's air by the hour.
    """
    since = begin - BELIEVED_FOR - HOUR
    recent = Reading.objects.filter(place__in=places, at__gt=since, at__lte=begin)
    changes: dict[int, set[int]] = {}
    for place_id, last in recent.order_by().values_list("place").annotate(Max("at")):
        in_dryers = -((begin - last - BELIEVED_FOR) // SLOT)
        by_hour = -((begin - hour_of(last) - HOUR - BELIEVED_FOR) // SLOT)
        for slot in (in_dryers - 1, in_dryers, by_hour):
            if 0 < slot < slots:
                changes.setdefault(slot, set()).add(place_id)
    return changes
