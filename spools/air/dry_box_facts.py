"""The facts that shape the air of a dry box: charges, stays, and the lives of the spools that came in."""

from bisect import bisect_left
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import cached_property, lru_cache
from itertools import pairwise
from operator import attrgetter
from typing import NamedTuple

from django.db.models import Q

from background.prepared import Ids, PreparedRows
from spools.air.dryer_air import desiccant_dew_point_c
from spools.air.hourly import (
    FOREVER,
    HOUR,
    HourlyReadings,
    heated_rh_pct,
    hour_of,
    rh_at_pressure,
)
from spools.catalogue.members import likely_material, start_rh
from spools.inventory import ledger
from spools.inventory.openings import load_opened
from spools.inventory.queries import share_places, spools_by_id
from spools.models import DesiccantCharge, DryingRun, MassEntry, Place, Spool, Stay
from spools.physics import drybox
from spools.physics.air import ZERO_C, Array
from spools.physics.desiccant import DESICCANTS
from spools.physics.drybox import Box
from spools.physics.geometry import Geometry
from spools.physics.sorbers import Sorbers, side_by_side, sorber
from spools.physics.state import Material
from spools.physics_inputs import geometry


def is_complete(place: Place) -> bool:
    """Whether a dry box has the volume, half-time and room that its air is computed with."""
    return place.volume_l is not None and place.half_time_h is not None and place.room_id is not None


def complete_boxes() -> list[Place]:
    """All complete dry boxes, with their rooms. One query."""
    boxes = Place.objects.filter(kind=Place.Kind.DRY_BOX, volume_l__isnull=False, half_time_h__isnull=False)
    return list(boxes.filter(room__isnull=False).select_related("room"))


def boxes_in(room_id: int) -> list[int]:
    """The ids of the complete dry boxes in a room. One query."""
    return [box.pk for box in complete_boxes() if box.room_id == room_id]


@dataclass(frozen=True)
class PriorHistory:
    """The life of a spool before it came into the box. opened_at: of its bag; None while it is sealed."""

    spool: Spool
    opened_at: datetime | None
    stays: list[Stay] = field(default_factory=list)
    runs: list[DryingRun] = field(default_factory=list)
    entries: list[MassEntry] = field(default_factory=list)

    def airs(self, until: datetime) -> Iterator[tuple[timedelta, float, float]]:
        """(duration, °C, % RH) of the assumed airs since its bag was opened, in order."""
        for stay in self.stays:
            begin, end = max(stay.start, self.opened_at or until), min(stay.end or until, until)
            # A re-closed bag leaves its spool about as it was.
            if begin >= end or (stay.place.kind == Place.Kind.BAG and stay.place.film):
                continue
            changes = [t for run in self.runs for t in (run.start, run.change_at, run.end) if t is not None]
            times = sorted({begin, end, *(t for t in changes if begin < t < end)})
            for start, stop in pairwise(times):
                yield stop - start, *self._air(stay.place, start)

    def _air(self, place: Place, at: datetime) -> tuple[float, float]:
        room = place.air_source
        temperature_c, rh_pct = room.assumed_temperature_c, room.assumed_rh_pct
        for run in self.runs:
            if run.start <= at and (run.end is None or at < run.end):
                set_point_c = run.set_point_at(at)
                dew_point_c = desiccant_dew_point_c(run.dryer)
                return set_point_c, heated_rh_pct(temperature_c, rh_pct, set_point_c, dew_point_c)
        return temperature_c, rh_pct


class ChargePeriod(NamedTuple):
    """The hours of one charge, from the first that it counts for up to (not with) the first of the next."""

    charge: DesiccantCharge
    first: datetime
    end: datetime


def periods_of(charges: Sequence[DesiccantCharge]) -> list[ChargePeriod]:
    """The periods of a box's charges, given in their order."""
    firsts = [hour_of(charge.at.astimezone(UTC)) + HOUR for charge in charges]
    return [
        ChargePeriod(charge, first, end)
        for charge, first, end in zip(charges, firsts, [*firsts[1:], FOREVER], strict=False)
        if first < end
    ]


@dataclass(frozen=True)
class SpoolInside:
    """A spool in the box: its part in the balance, and the water that it brought in."""

    spool: Spool
    sorbers: Sorbers
    prior: PriorHistory
    at: datetime

    @cached_property
    def brought(self) -> Array:
        contents = self.sorbers.balanced(start_rh(self.spool)[0][1] / 100)
        for duration, temperature_c, rh_pct in self.prior.airs(self.at):
            contents = self.sorbers.relaxed(
                contents, rh_pct / 100, temperature_c + ZERO_C, duration.total_seconds()
            )
        return contents


@dataclass(frozen=True)
class BoxFacts:
    """The facts that shape a box's air from a time on. stays: in the order of their starts, with spools."""

    place: Place
    charges: list[DesiccantCharge]
    stays: list[Stay]
    priors: dict[int, PriorHistory]
    _inside: dict[tuple[int, datetime], SpoolInside] = field(default_factory=dict)
    _together: dict[tuple[int, ...], Sorbers] = field(default_factory=dict)
    _present: dict[tuple[int, int], list[SpoolInside]] = field(default_factory=dict)

    @property
    def room(self) -> Place:
        assert self.place.room is not None
        return self.place.room

    @cached_property
    def periods(self) -> list[ChargePeriod]:
        return periods_of(self.charges)

    def since(self, at: datetime) -> datetime:
        """From when on facts count for the air at that time and later: that of its charge."""
        return next((min(p.charge.at, at) for p in self.periods if p.end > at), at)

    @cached_property
    def _starts(self) -> list[datetime]:
        return [stay.start for stay in self.stays]

    @cached_property
    def _changes(self) -> list[datetime]:
        """When a spool came, left, or had its bag opened."""
        opened = (prior.opened_at for prior in self.priors.values())
        return sorted({*self._times, *(at for at in opened if at is not None)})

    def box(self, charge: DesiccantCharge) -> Box:
        """The box with a charge, as the physics takes it."""
        return build_box(self.place, charge)

    def inside(self, at: datetime, charge: DesiccantCharge) -> list[SpoolInside]:
        """The spools that are in it at the end of an hour, by their ids; not those in unopened bags."""
        key = bisect_left(self._changes, at), charge.pk
        if key not in self._present:
            # The hours follow one another.
            self._present.clear()
            self._present[key] = self._find_inside(at, charge)
        return self._present[key]

    def _find_inside(self, at: datetime, charge: DesiccantCharge) -> list[SpoolInside]:
        present = [s for s in self.stays[: bisect_left(self._starts, at)] if s.end is None or s.end >= at]
        inside = []
        for stay in sorted(present, key=attrgetter("spool_id")):
            opened_at = self.priors[stay.spool_id].opened_at
            if opened_at is not None and opened_at < at:
                inside.append(self._spool_inside(stay, max(stay.start, charge.at, opened_at)))
        return inside

    def together(self, inside: Sequence[SpoolInside]) -> Sorbers:
        """The spools side by side; built once for as long as the same ones are in the box."""
        ids = tuple(spool_inside.spool.pk for spool_inside in inside)
        if ids not in self._together:
            self._together.clear()
            self._together[ids] = side_by_side([spool_inside.sorbers for spool_inside in inside])
        return self._together[ids]

    def _spool_inside(self, stay: Stay, at: datetime) -> SpoolInside:
        key = (stay.pk, at)
        if key not in self._inside:
            self._inside[key] = bring_in(self.priors[stay.spool_id], stay.start, at)
        return self._inside[key]

    def openings(self, start: datetime, end: datetime) -> int:
        """How often it was opened: each scan in or out counts, several at one time count once."""
        return bisect_left(self._times, end) - bisect_left(self._times, start)

    @cached_property
    def _times(self) -> list[datetime]:
        return sorted({t for stay in self.stays for t in (stay.start, stay.end) if t is not None})


def build_box(place: Place, charge: DesiccantCharge, openings_day: float = 0.0) -> Box:
    """A dry box with a charge, as the physics takes it. openings_day: added to its leak as on average."""
    assert place.volume_l is not None and place.half_time_h is not None
    return Box(
        place.volume_l / 1000,
        drybox.air_changes_s(3600 * place.half_time_h) + drybox.OPENING_SHARE * openings_day / drybox.DAY_S,
        DESICCANTS[charge.kind],
        charge.dry_mass_g / 1000,
    )


def build_sorbers(spool: Spool, mass_g: float) -> Sorbers:
    """The part of a spool with this much filament in the balance of its box or bag."""
    return _sorbers(geometry(spool, mass_g), likely_material(spool.feedstock))


def bring_in(prior: PriorHistory, weighed_by: datetime, at: datetime) -> SpoolInside:
    """A spool in its box or bag from a time on, with the mass that was known by another."""
    masses = ledger.winding_masses(prior.spool, prior.entries)
    mass_g = [mass_g for known_at, mass_g in masses if known_at <= weighed_by][-1:] or [masses[0][1]]
    return SpoolInside(prior.spool, build_sorbers(prior.spool, mass_g[0]), prior, at)


def room_air(room: Place, readings: HourlyReadings, at: datetime) -> tuple[float, float]:
    """°C and % RH of a room at a time: measured, or assumed."""
    state, _ = readings.at(at)
    if state is None:
        return room.assumed_temperature_c, room.assumed_rh_pct
    return state[0], rh_at_pressure(state[1], state[0])


@lru_cache(maxsize=8192)
def _sorbers(shape: Geometry, material: Material) -> Sorbers:
    """A box's spools are the same from sweep to sweep."""
    return sorber(shape, material)


_CHARGES = PreparedRows(lambda: DesiccantCharge.objects.valid().filter(place__in=Ids("place_ids")))


def load_charges(place_ids: Iterable[int]) -> dict[int, list[DesiccantCharge]]:
    """The valid charges of each box, in their order, by place id. One query."""
    charges: dict[int, list[DesiccantCharge]] = {pk: [] for pk in place_ids}
    for charge in _CHARGES.run(place_ids=charges):
        charges[charge.place_id].append(charge)
    return charges


def load_facts(
    since: Mapping[Place, datetime | None],
    charges: Mapping[int, list[DesiccantCharge]],
    opened_since: datetime = FOREVER,
) -> dict[int, BoxFacts]:
    """The facts of complete boxes that count from a time on, by place id; None: from the first charge on.

    opened_since: openings of the boxes are loaded from then on, too. The prior histories are loaded of the
    spools that came in since, and of all spools where a charge starts since: the computation needs no others.
    Eight queries for each thousand spools.
    """
    boxes = {place.pk: BoxFacts(place, charges[place.pk], [], {}) for place in since}
    starts = {place.pk: at for place, at in since.items()}
    stays, inside = _load_stays(since, charges, opened_since), []
    for stay in stays:
        at = starts[stay.place_id]
        boxes[stay.place_id].stays.append(stay)
        # A spool that has left before counts for the openings of the box alone.
        if at is None or stay.end is None or stay.end >= at:
            inside.append(stay)
    spools = spools_by_id({stay.spool_id for stay in inside}, weighings=False)
    opened = load_opened(spools)
    priors = {
        pk: PriorHistory(spool, None if (fact := opened[pk]) is None else fact.at)
        for pk, spool in spools.items()
    }
    came_since = set()
    for stay in inside:
        stay.spool = spools[stay.spool_id]
        box, at = boxes[stay.place_id], starts[stay.place_id]
        box.priors[stay.spool_id] = priors[stay.spool_id]
        if at is None or stay.start >= at or box.periods[-1].first > at:
            came_since.add(stay.spool_id)
    load_priors(priors, came_since)
    return boxes


def _load_stays(
    since: Mapping[Place, datetime | None],
    charges: Mapping[int, list[DesiccantCharge]],
    opened_since: datetime,
) -> list[Stay]:
    """The stays in boxes with desiccant that last to the time from which they are needed, or longer."""
    starts = {
        place.pk: charges[place.pk][0].at if at is None else min(at, opened_since)
        for place, at in since.items()
        if charges[place.pk]
    }
    lasting = Q(end=None) | Q(end__gte=min(starts.values(), default=FOREVER))
    stays = Stay.objects.spans().filter(lasting, place__in=starts)
    return [stay for stay in stays if stay.end is None or stay.end >= starts[stay.place_id]]


def load_priors(priors: Mapping[int, PriorHistory], came_since: set[int]) -> None:
    stays = Stay.objects.spans().filter(spool__in=came_since)
    runs = DryingRun.objects.filter(spool__in=came_since)
    share_places(stays, runs)
    for stay in stays:
        priors[stay.spool_id].stays.append(stay)
    for run in runs:
        priors[run.spool_id].runs.append(run)
    for entry in MassEntry.objects.valid().amounts().filter(spool__in=list(priors)):
        priors[entry.spool_id].entries.append(entry)
