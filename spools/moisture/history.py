"""A spool's facts turned into segments of constant surroundings, always cut at the same times.

Cuts are made where a stay, a drying run, its stage or the mass changes, at the UTC hours in which readings
were averaged, and at UTC midnights: they follow from the facts alone, not from when somebody asked. So the
physics takes the same steps whether it continues from a checkpoint or starts again.
"""

from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, time, timedelta
from functools import cached_property
from typing import NamedTuple

from spools.air.bags import BagAir
from spools.air.dry_box_cache import AirSeries
from spools.air.dry_box_facts import build_box, build_sorbers, room_air
from spools.air.dryer_air import dryer_chamber
from spools.air.enclosures import Pieces, forecast_in_box
from spools.air.hourly import FOREVER, HourlyReadings, heated_rh_pct, hour_of, rh_at_pressure
from spools.air.hygrometer import computed_errors, dryer_errors, place_errors
from spools.catalogue.values import material_values
from spools.inventory import ledger
from spools.inventory.openings import Opened
from spools.models import DryingRun, MassEntry, Place, Spool, Stay
from spools.moisture import exposure_hours
from spools.physics.air_errors import AirErrors
from spools.physics.chamber import Chamber
from spools.physics_inputs import LEAST_WINDING_G, ConstantAir

IN_OTHER_AIR = (exposure_hours.Exposure.UNOPENED, exposure_hours.Exposure.DRYING)
DRY_KINDS = {Place.Kind.DRY_BOX, Place.Kind.BAG, Place.Kind.DRYER}


@dataclass(frozen=True)
class SegmentAir:
    """Constant air: °C, % RH, "reading", "computed", "assumed" or "dryer".

    is_known: whether it was measured in the place itself or computed for it. errors: how far it may be off. chamber:
    of the dryer that heats it.
    """

    temperature_c: float
    rh_pct: float
    origin: str
    is_known: bool
    errors: AirErrors
    chamber: Chamber | None = None


@dataclass(frozen=True)
class Segment:
    """A stretch of a spool's life in constant surroundings with a constant amount on it."""

    start: datetime
    end: datetime
    place: Place
    air: SegmentAir
    kind: exposure_hours.Exposure
    moving_air: bool
    mass_g: float
    # Whether its end is one of the times at which checkpoints may be stored.
    closes: bool
    # Share of the exposure hours that a drying run undoes as it ends with this segment.
    credit: float = 0.0

    def constant_air(self, hours: float = 0.0) -> ConstantAir:
        """Its air for some hours."""
        air = self.air
        return ConstantAir(hours, air.temperature_c, air.rh_pct, self.moving_air, air.chamber, air.errors)


class OtherRun(NamedTuple):
    """A run of another spool in the same dryer: the water that it gives off is in the chamber's air."""

    spool_id: int
    dryer_id: int
    start: datetime
    end: datetime | None


@dataclass(frozen=True)
class History:
    """The facts that shape one spool's moisture from a time on, loaded.

    opened: when the bag that it came in was opened, and by which fact; None while it is sealed. stays: those that
    lasted to that time, or later. readings, boxes: of the places in which it was since. bags: by the ids of
    its stays in them. runs, entries: all.
    others: runs of other spools beside its own since then.
    """

    spool: Spool
    opened: Opened | None
    stays: list[Stay]
    runs: list[DryingRun]
    entries: list[MassEntry]
    readings: dict[int, HourlyReadings]
    boxes: dict[int, AirSeries] = field(default_factory=dict)
    bags: dict[int, BagAir] = field(default_factory=dict)
    others: list[OtherRun] = field(default_factory=list)

    def before(self, until: datetime) -> "History":
        """The same with the readings and the computed air before a full hour alone."""
        places = {place.pk for stay in self.stays for place in (stay.place, stay.place.room) if place}
        readings = {pk: self.readings[pk].before(until) for pk in places & self.readings.keys()}
        boxes = {pk: self.boxes[pk].before(until) for pk in places & self.boxes.keys()}
        ids = {stay.pk for stay in self.stays} & self.bags.keys()
        bags = {pk: self.bags[pk].before(until) for pk in ids}
        return replace(self, readings=readings, boxes=boxes, bags=bags)

    def is_enclosed(self, segment: Segment | None, at: datetime) -> bool:
        """Whether it lies in a dry box with desiccant, or in a bag, whose air ahead can be computed.

        segment: that of this time, from segment_at().
        """
        if segment is None or segment.place.room is None or segment.kind in IN_OTHER_AIR:
            return False
        place = segment.place
        if place.pk in self.boxes and self.boxes[place.pk].charge_at(at) is not None:
            return True
        in_bag = any(stay.pk in self.bags and stay.end is None for stay in self.stays)
        return in_bag and segment.air.origin == "computed"

    def enclosed_air(self, segment: Segment, at: datetime, water_pct: float, openings_day: float) -> Pieces:
        """The air in its dry box or bag from a time on, if the room stays as it is. It must be there.

        segment: that of this time. water_pct: that the spool holds. openings_day: of a dry box.
        """
        place, series = segment.place, self.boxes.get(segment.place.pk)
        charge = None if series is None else series.charge_at(at)
        if charge is not None and place.room is not None:
            box, sorbers = build_box(place, charge, openings_day), build_sorbers(self.spool, segment.mass_g)
            room = room_air(place.room, self.readings[place.room.pk], at)
            return forecast_in_box(box, sorbers, water_pct, segment.air.rh_pct, room)
        return self.bags[self.stays[-1].pk].ahead(at)

    def remaining(self) -> ledger.Amount:
        """As ledger.remaining, from the facts that are here."""
        dried_to = {
            run.after_id: run.target_pct
            for run in self.runs
            if run.after_id is not None and run.mass_g is None
        }
        return ledger.amount(self.spool, self.entries, dried_to)

    def run_at(self, at: datetime) -> DryingRun | None:
        """The drying run that it was in at a time."""
        return next((run for run in self.runs if run.start <= at and (run.end is None or at < run.end)), None)

    def spools_in(self, run: DryingRun, at: datetime) -> int:
        """How many spools dry in the dryer of its run at a time, itself too."""
        return 1 + sum(
            other.dryer_id == run.dryer_id and other.start <= at and (other.end is None or at < other.end)
            for other in self.others
        )

    def _changes_of_company(self) -> list[datetime]:
        """When another spool comes into the dryer of its run, or leaves it; none outside its own runs."""
        times = [
            (other.dryer_id, t) for other in self.others for t in (other.start, other.end) if t is not None
        ]
        return [
            t for dryer_id, t in times if (run := self.run_at(t)) is not None and run.dryer_id == dryer_id
        ]

    @cached_property
    def _masses(self) -> list[tuple[datetime, float]]:
        masses = ledger.winding_masses(self.spool, self.entries)
        return [(at, max(LEAST_WINDING_G, mass_g)) for at, mass_g in masses]

    @property
    def turns(self) -> set[datetime]:
        """When it was wound onto another reel, and so inside out."""
        return {datetime.fromisoformat(text) for text in self.spool.respooled_at}

    @property
    def current_place(self) -> Place | None:
        """Where it lies until something happens; None in a drying run, or when it is nowhere."""
        if any(run.end is None for run in self.runs) or not self.stays or self.stays[-1].end is not None:
            return None
        return self.stays[-1].place

    def mass_at(self, at: datetime, before: bool = False) -> float:
        """What the winding weighs, g, with the entries of that very time; without them if before."""
        masses = self._masses
        counted = [mass_g for when, mass_g in masses if when < at or (when == at and not before)]
        return counted[-1] if counted else masses[0][1]

    def segment_at(self, at: datetime) -> Segment | None:
        """The surroundings at a time; None when the spool is nowhere."""
        return next(self.segments(max(at, self.spool.received_at), FOREVER), None)

    def segments(self, start: datetime, until: datetime) -> Iterator[Segment]:
        """From ``start``, itself a cut, up to the segment in which ``until`` lies (not shortened)."""
        opened_at = None if self.opened is None else self.opened.at
        masses = self._masses
        mass_times = [at for at, _ in masses]
        run_times = [t for run in self.runs for t in (run.start, run.change_at, run.end) if t]
        run_times += self._changes_of_company()
        closing = {*mass_times, *self.turns}
        cuts = sorted({*closing, *run_times, *([opened_at] if opened_at else [])})
        for stay in self.stays:
            at = max(start, stay.start)
            while at < until and (stay.end is None or at < stay.end):
                mass_g = masses[max(0, bisect_right(mass_times, at) - 1)][1]
                run = self.run_at(at)
                air, end = self._air(stay, run, at)
                end = min(end, _next_midnight(at), stay.end or end, *cuts[bisect_right(cuts, at) :][:1])
                yield Segment(
                    start=at,
                    end=end,
                    place=stay.place,
                    air=air,
                    kind=_kind(stay.place, run, air, opened_at is None or at < opened_at),
                    moving_air=run is not None or stay.place.moved_air,
                    mass_g=mass_g,
                    closes=end in closing or end == stay.end or _quarter_of_a_day(end),
                    credit=_credit(self.spool, run) if run is not None and end == run.end else 0.0,
                )
                at = end

    def _air(self, stay: Stay, run: DryingRun | None, at: datetime) -> tuple[SegmentAir, datetime]:
        place = stay.place
        state, until = self.readings[place.pk].at(at)
        is_known = state is not None
        room = place.air_source
        if state is None and room is not place:
            state, room_until = self.readings[room.pk].at(at)
            until = min(until, room_until)
        computed: tuple[float, float] | None = None
        if state is None and stay.pk in self.bags:
            computed, step_until = self.bags[stay.pk].at(at)
            until = min(until, step_until or until)
        if state is None and place.pk in self.boxes:
            computed, sample_until = self.boxes[place.pk].at(at)
            until = min(until, sample_until)
        if computed is not None:
            temperature_c, rh_pct, origin = *computed, "computed"
            is_known = True
        elif state is None:
            temperature_c, rh_pct, origin = room.assumed_temperature_c, room.assumed_rh_pct, "assumed"
        else:
            temperature_c, origin = state[0], "reading"
            rh_pct = rh_at_pressure(state[1], temperature_c)
        read_in, chamber = place if is_known else room, None
        is_checked = origin == "reading" and self.readings[read_in.pk].is_checked(at)
        errors = computed_errors(read_in) if computed else place_errors(read_in, is_checked)
        if run is not None:
            set_point_c = run.set_point_at(at)
            chamber = dryer_chamber(run.dryer).shared_by(self.spools_in(run, at))
            rh_pct = heated_rh_pct(temperature_c, rh_pct, set_point_c, chamber.dew_point_c)
            temperature_c, origin = set_point_c, "dryer"
            errors = dryer_errors(run.dryer, errors)
        return SegmentAir(temperature_c, rh_pct, origin, is_known, errors, chamber), until


def _next_midnight(at: datetime) -> datetime:
    return datetime.combine(at.astimezone(UTC).date() + timedelta(days=1), time(tzinfo=UTC))


def _quarter_of_a_day(at: datetime) -> bool:
    at = at.astimezone(UTC)
    return at.hour % 6 == 0 and at == hour_of(at)


def _kind(place: Place, run: DryingRun | None, air: SegmentAir, unopened: bool) -> exposure_hours.Exposure:
    if run is not None:
        return exposure_hours.Exposure.DRYING
    if unopened:
        return exposure_hours.Exposure.UNOPENED
    if place.kind in DRY_KINDS and air.is_known and air.rh_pct <= exposure_hours.DRY_STORAGE_RH_PCT:
        return exposure_hours.Exposure.DRY
    return exposure_hours.Exposure.EXPOSED


def _credit(spool: Spool, run: DryingRun) -> float:
    assert run.end is not None
    needed_c = material_values(spool.feedstock).dry_set_c - run.dryer.set_point_error_c
    needed_hours = least_drying_hours(spool)
    stages = run.stages_until(run.end)
    return min(1.0, sum(exposure_hours.run_credit(hours, c, needed_hours, needed_c) for c, hours in stages))


def least_drying_hours(spool: Spool) -> float:
    """The lower number of the polymer's usual drying time ("12-16" gives 12), in hours."""
    return float(spool.feedstock.polymer.dry_hours.split("-")[0])
