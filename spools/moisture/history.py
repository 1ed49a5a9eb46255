"""A spool's facts turned into segments of constant surroundings, always cut at the same times.

Cuts are made where a stay, a drying run, its stage or the mass changes, at the UTC hours in which readings
were averaged, and at UTC midnights: they follow from the facts alone, not from when somebody asked. So the
physics takes the same steps whether it continues from a checkpoint or starts again.
"""

from bisect import bisect_right
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, time, timedelta
from functools import cached_property
from typing import NamedTuple

from django.db.models import Q, QuerySet

from spools.air.bags import BagAir, is_computed_bag, load_bags
from spools.air.dry_box_cache import AirSeries, load_series
from spools.air.dry_box_facts import build_box, build_sorbers, is_complete, room_air
from spools.air.dryer_air import dryer_chamber
from spools.air.enclosures import Pieces, forecast_in_box
from spools.air.hourly import FOREVER, HourlyReadings, heated_rh_pct, hour_of, load_readings, rh_at_pressure
from spools.air.hygrometer import computed_errors, dryer_errors, place_errors
from spools.catalogue.values import material_values
from spools.inventory import ledger
from spools.inventory.openings import Opened, load_opened
from spools.inventory.queries import share_places, spools_by_id
from spools.models import DryingRun, MassEntry, Place, Spool, Stay
from spools.moisture import exposure_hours
from spools.physics.air_errors import AirErrors
from spools.physics.chamber import Chamber
from spools.physics_inputs import LEAST_WINDING_G, ConstantAir

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

    def enclosure_at(self, at: datetime) -> Place | None:
        """The dry box with desiccant, or the bag, in which it lies and whose air ahead can be computed."""
        segment = self.segment_at(at)
        if segment is None or segment.kind in (
            exposure_hours.Exposure.UNOPENED,
            exposure_hours.Exposure.DRYING,
        ):
            return None
        place = segment.place
        if place.pk in self.boxes and self.boxes[place.pk].charge_at(at) is not None:
            return place
        in_bag = any(stay.pk in self.bags and stay.end is None for stay in self.stays)
        return place if in_bag and segment.air.origin == "computed" else None

    def enclosure_ahead(self, at: datetime, water_pct: float, openings_day: float) -> Pieces | None:
        """The air in the dry box or bag where it lies, from a time on if the room stays as it is; None elsewhere.

        water_pct: that the spool holds. openings_day: of a dry box.
        """
        place, segment = self.enclosure_at(at), self.segment_at(at)
        if place is None or place.room is None or segment is None:
            return None
        if place.pk in self.boxes and (charge := self.boxes[place.pk].charge_at(at)) is not None:
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


def load(
    spool_ids: Iterable[int],
    until: datetime,
    since: Callable[[History], datetime],
    preloaded: Iterable[Spool] = (),
) -> dict[int, History]:
    """The histories of spools by spool id, each from a time on, with the air of its places up to ``until``.

    ``since`` returns that time for a history still without its stays and their air. preloaded: the spools
    themselves, where the caller has them from queries.with_materials().
    Eight queries however many spools, six with the spools preloaded; one more where drying runs go on, some more
    where the air of a dry box is computed.
    """
    spools = {spool.pk: spool for spool in preloaded} or spools_by_id(spool_ids)
    readings: dict[int, HourlyReadings] = {}
    boxes: dict[int, AirSeries] = {}
    bags: dict[int, BagAir] = {}
    opened = load_opened(spools)
    histories = {
        pk: History(spool, opened[pk], [], [], [], readings, boxes, bags) for pk, spool in spools.items()
    }
    for entry in MassEntry.objects.valid().amounts().filter(spool__in=list(spools)):
        histories[entry.spool_id].entries.append(entry)
    needed = [(history, since(history)) for history in histories.values()]
    all_runs = DryingRun.objects.filter(spool__in=list(spools))
    stays = _load_stays(spools, min((at for _, at in needed), default=until))
    share_places(stays, all_runs)
    for stay in stays:
        histories[stay.spool_id].stays.append(stay)
    for run in all_runs:
        histories[run.spool_id].runs.append(run)
    _add_other_runs(needed)
    boxes |= _load_boxes(needed, until)
    readings |= _load_readings(needed, until)
    bags |= _load_bags(needed, until)
    return histories


def _add_other_runs(needed: Sequence[tuple[History, datetime]]) -> None:
    """Adds the runs of other spools beside those of each history that lasted to its time, or longer: one query."""
    own = [
        (history, run)
        for history, since in needed
        for run in history.runs
        if run.end is None or run.end > since
    ]
    if not own:
        return
    first = min(run.start for _, run in own)
    rows = DryingRun.objects.filter(
        Q(end=None) | Q(end__gt=first), dryer__in={run.dryer_id for _, run in own}
    ).order_by("start", "id")
    others = [OtherRun(*row) for row in rows.values_list("spool", "dryer", "start", "end")]
    for history, run in own:
        history.others.extend(
            other
            for other in others
            if other.spool_id != history.spool.pk
            and other.dryer_id == run.dryer_id
            and (run.end is None or other.start < run.end)
            and (other.end is None or other.end > run.start)
            and other not in history.others
        )


def _load_stays(spools: Mapping[int, Spool], since: datetime) -> QuerySet[Stay]:
    """The stays that lasted to a time, or longer."""
    lasting = Q(end=None) | Q(end__gte=since)
    return Stay.objects.spans().filter(lasting, spool__in=list(spools))


def load_air(histories: Iterable[History], until: datetime) -> list[History]:
    """The same histories with all readings and computed air since receipt, before ``until``.

    One query, some more where the air of a dry box is computed.
    """
    needed = [(history, history.spool.received_at) for history in histories]
    boxes, readings = _load_boxes(needed, until), _load_readings(needed, until)
    bags = _load_bags(needed, until)
    return [replace(history, readings=readings, boxes=boxes, bags=bags) for history, _ in needed]


def _load_bags(histories: Iterable[tuple[History, datetime]], until: datetime) -> dict[int, BagAir]:
    """The air of the bags that spools were in, where it may be computed, by stay id."""
    histories = list(histories)
    stays = [stay for stay, start in _stays_since(histories) if is_computed_bag(stay.place) and start < until]
    spools = {history.spool.pk: history.spool for history, _ in histories}
    return load_bags(stays, spools, until) if stays else {}


def _load_boxes(histories: Iterable[tuple[History, datetime]], until: datetime) -> dict[int, AirSeries]:
    """The air of the dry boxes that spools were in, where it may be computed, each since a time."""
    spans: dict[Place, tuple[datetime, datetime]] = {}
    for stay, start in _stays_since(histories):
        if is_complete(stay.place):
            end = min(stay.end or until, until)
            before = spans.get(stay.place, (start, end))
            spans[stay.place] = min(start, before[0]), max(end, before[1])
    return load_series(spans) if spans else {}


def _stays_since(histories: Iterable[tuple[History, datetime]]) -> Iterator[tuple[Stay, datetime]]:
    """The stays that last beyond the time of their history, and from when on each counts."""
    for history, since in histories:
        for stay in history.stays:
            if stay.end is None or stay.end > since:
                yield stay, max(stay.start, since)


def _load_readings(
    histories: Iterable[tuple[History, datetime]], until: datetime
) -> dict[int, HourlyReadings]:
    """Hourly means of the places, and the rooms of dryers, that spools were in, each since a time."""
    first: dict[int, datetime] = {}
    for stay, start in _stays_since(histories):
        for place in (stay.place, stay.place.room):
            if place is not None:
                first[place.pk] = min(first.get(place.pk, start), start)
    return load_readings(first, until)
