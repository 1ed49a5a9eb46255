"""The computed air of a dry box, hour by hour, from facts alone: charges, stays, the air of its room.

The air of a UTC hour is that of the state at its beginning, which knows the facts before it: an opening, a
spool or a charge counts from the next full hour on. A charge starts the course anew, and until the next one
each hour follows from the one before, so a course is the same to the bit wherever it is continued from.
After a charge of 0 g the box follows its room.

What a spool brings in: the likely contents of the spool as it came (no ensemble), taken through the air
assumed for the places where it was, and what its drying runs made of it; readings there are left out, and so
is what another box computes. Its mass is the one with which it came in.

Spools take the air of their box at certain times only, its *turns*: each quarter of a UTC day, and the hour
that a charge starts with. The air at turns is stored (spools/box_states.py), each with a fingerprint of all
that was assumed for it from the first charge on; so whoever needs it loads neither the box's spools nor what
they were through.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import cached_property, lru_cache
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
from django.db.models import OuterRef, Q, Subquery, prefetch_related_objects

from spools import fingerprint
from spools.air.hourly import (
    FOREVER,
    HOUR,
    Readings,
    heated_rh_pct,
    hour_of,
    load_readings,
    rh_at_pressure,
    vapour_pressure_pa,
)
from spools.inventory import ledger
from spools.inventory.moves import opened_at
from spools.inventory.queries import share_places, spools_by_id
from spools.models import BoxAir, BoxState, DesiccantCharge, DryingRun, MassEntry, Place, Spool, Stay
from spools.physics import drybox
from spools.physics.air import ZERO_C, Array, vapour_density
from spools.physics.desiccant import DESICCANTS
from spools.physics.drybox import Box, Room, Sorbers, State
from spools.physics.geometry import Geometry
from spools.physics.state import Material
from spools.physics_inputs import geometry, likely_material, start_rh

# Raise it when the physics or the steps change: what another version stored is not continued from.
VERSION = 3
QUARTER = timedelta(hours=6)
# How far back openings are counted for what is to come.
OPENINGS_OVER = timedelta(days=14)


def quarter_of(at: datetime) -> datetime:
    """The start of the quarter of its UTC day."""
    hour = hour_of(at.astimezone(UTC))
    return hour - timedelta(hours=hour.hour % 6)


def complete(place: Place) -> bool:
    """Whether all is known of a dry box that its air is computed with, but for the desiccant."""
    return place.volume_l is not None and place.half_time_h is not None and place.room_id is not None


def complete_boxes() -> list[Place]:
    """All of them, with their rooms. One query."""
    boxes = Place.objects.filter(kind=Place.Kind.DRY_BOX, volume_l__isnull=False, half_time_h__isnull=False)
    return list(boxes.filter(room__isnull=False).select_related("room"))


@dataclass(frozen=True)
class Past:
    """What a spool did before it came into the box."""

    spool: Spool
    stays: list[Stay] = field(default_factory=list)
    runs: list[DryingRun] = field(default_factory=list)
    entries: list[MassEntry] = field(default_factory=list)

    def airs(self, until: datetime) -> Iterator[tuple[timedelta, float, float]]:
        """(duration, °C, % RH) after the other that it was in, as assumed; not while its bag was closed."""
        opened = opened_at(self.spool, self.stays)
        for stay in self.stays:
            end = min(stay.end or until, until)
            if opened is None or stay.start < opened or stay.start >= end:
                continue
            turns = [t for run in self.runs for t in (run.start, run.change_at, run.end) if t is not None]
            times = sorted({stay.start, end, *(t for t in turns if stay.start < t < end)})
            for start, stop in pairwise(times):
                yield stop - start, *self._air(stay.place, start)

    def _air(self, place: Place, at: datetime) -> tuple[float, float]:
        room = place.room if place.kind == Place.Kind.DRYER and place.room is not None else place
        temperature_c, rh_pct = room.assumed_temperature_c, room.assumed_rh_pct
        for run in self.runs:
            if run.start <= at and (run.end is None or at < run.end):
                set_point_c = run.set_point_at(at)
                return set_point_c, heated_rh_pct(temperature_c, rh_pct, set_point_c)
        return temperature_c, rh_pct


class Period(NamedTuple):
    """The hours of one charge, from the first that knows it up to (not with) the first of the next."""

    charge: DesiccantCharge
    first: datetime
    end: datetime


def periods_of(charges: Sequence[DesiccantCharge]) -> list[Period]:
    """The periods of a box's charges, given in their order."""
    firsts = [hour_of(charge.at.astimezone(UTC)) + HOUR for charge in charges]
    return [
        Period(charge, first, end)
        for charge, first, end in zip(charges, firsts, [*firsts[1:], FOREVER], strict=False)
        if first < end
    ]


def turns(periods: Iterable[Period], since: datetime, until: datetime) -> Iterator[datetime]:
    """The turns of a box from ``since`` on and before ``until``, in order."""
    for period in periods:
        at = period.first
        if at < since:
            at = quarter_of(since + QUARTER - timedelta.resolution)
        while at < min(period.end, until):
            yield at
            at = quarter_of(at) + QUARTER


@dataclass(frozen=True)
class Reached:
    """A box at the beginning of an hour: water in air and desiccant, and the contents of its spools.

    held: of the spools ``ids`` one after the other, as many contents each.
    """

    hour: datetime
    period: Period
    water_kg: float
    ids: tuple[int, ...]
    held: Array

    @property
    def contents(self) -> dict[int, Array]:
        """By spool id."""
        return dict(zip(self.ids, self.held.reshape(len(self.ids), -1), strict=True)) if self.ids else {}


@dataclass(frozen=True)
class Inside:
    """A spool in the box: what it is in the balance, and what it brought in."""

    spool: Spool
    sorbers: Sorbers
    past: Past
    at: datetime

    @cached_property
    def brought(self) -> Array:
        contents = self.sorbers.balanced(start_rh(self.spool)[0][1] / 100)
        for duration, temperature_c, rh_pct in self.past.airs(self.at):
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
    pasts: dict[int, Past]
    _inside: dict[tuple[int, datetime], Inside] = field(default_factory=dict)
    _together: dict[tuple[int, ...], Sorbers] = field(default_factory=dict)

    @property
    def room(self) -> Place:
        assert self.place.room is not None
        return self.place.room

    @cached_property
    def periods(self) -> list[Period]:
        return periods_of(self.charges)

    def since(self, at: datetime) -> datetime:
        """From when on facts count for the air at that time and later: that of its charge."""
        return next((min(p.charge.at, at) for p in self.periods if p.end > at), at)

    def fingerprints(self, times: Iterable[datetime], last: tuple[datetime, str] | None) -> Iterator[str]:
        """What the air at these turns rests on: each from the one before, so in order and without a gap.

        last: the turn before, with its fingerprint; None: they begin with the first one of the box.
        """
        counted, reached = (0, "") if last is None else (bisect_left(self._starts, last[0]), last[1])
        firsts = {period.first for period in self.periods}
        for at in times:
            assumed: list[Any] = [VERSION, reached]
            if at in firsts:
                place, room = self.place, self.room
                assumed.append([place.volume_l, place.half_time_h])
                assumed.append([place.assumed_temperature_c, place.assumed_rh_pct])
                assumed.append([room.pk, room.assumed_temperature_c, room.assumed_rh_pct])
            come = bisect_left(self._starts, at)
            for stay in self.stays[counted:come]:
                past = self.pasts[stay.spool_id]
                assumed.append(fingerprint.of_spool(stay.spool, past.stays, past.runs, stay.start))
            counted, reached = come, fingerprint.fingerprint(assumed)
            yield reached

    def fingerprints_by_time(self, until: datetime) -> dict[datetime, str]:
        """Those of all turns before a time; all facts must be there."""
        times = [at for period in self.periods[:1] for at in turns(self.periods, period.first, until)]
        return dict(zip(times, self.fingerprints(times, None), strict=True))

    @cached_property
    def _starts(self) -> list[datetime]:
        return [stay.start for stay in self.stays]

    def box(self, charge: DesiccantCharge) -> Box:
        place = self.place
        assert place.volume_l is not None and place.half_time_h is not None
        return Box(
            place.volume_l / 1000,
            drybox.air_changes_s(3600 * place.half_time_h),
            DESICCANTS[charge.kind],
            charge.dry_mass_g / 1000,
        )

    def air(self, readings: Readings, reached: Reached) -> tuple[float, float]:
        """°C and % RH in it at an hour that was reached."""
        temperature_c, _ = self.room_air(readings, reached.hour)
        rh = self.box(reached.period.charge).rh(reached.water_kg, temperature_c + ZERO_C)
        return temperature_c, 100 * rh

    def room_air(self, readings: Readings, hour: datetime) -> tuple[float, float]:
        """°C and % RH of its room in an hour: read, or assumed."""
        state, _ = readings.at(hour)
        if state is None:
            return self.room.assumed_temperature_c, self.room.assumed_rh_pct
        return state[0], rh_at_pressure(state[1], state[0])

    def inside(self, at: datetime, charge: DesiccantCharge) -> list[Inside]:
        """The spools that are in it at the end of an hour, by their ids."""
        there = [s for s in self.stays[: bisect_left(self._starts, at)] if s.end is None or s.end >= at]
        return [self._sorbing(stay, max(stay.start, charge.at)) for stay in sorted(there, key=_spool_id)]

    def together(self, inside: Sequence[Inside]) -> Sorbers:
        """Side by side; made once as long as the same spools are in it."""
        ids = tuple(one.spool.pk for one in inside)
        if ids not in self._together:
            self._together.clear()
            self._together[ids] = drybox.side_by_side([one.sorbers for one in inside])
        return self._together[ids]

    def _sorbing(self, stay: Stay, at: datetime) -> Inside:
        key = (stay.pk, at)
        if key not in self._inside:
            self._inside[key] = self._come(stay, at)
        return self._inside[key]

    def _come(self, stay: Stay, at: datetime) -> Inside:
        spool, past = stay.spool, self.pasts[stay.spool_id]
        masses = ledger.winding_masses(spool, past.entries)
        mass_g = [m for when, m in masses if when <= stay.start][-1:] or [m for _, m in masses[:1]]
        sorbers = _sorbers(geometry(spool, mass_g[0]), likely_material(spool.feedstock))
        return Inside(spool, sorbers, past, at)

    def openings(self, start: datetime, end: datetime) -> int:
        """How often it was opened: each scan in or out is one; several at one time are one, too."""
        return bisect_left(self._times, end) - bisect_left(self._times, start)

    @cached_property
    def _times(self) -> list[datetime]:
        return sorted({t for stay in self.stays for t in (stay.start, stay.end) if t is not None})


def _spool_id(stay: Stay) -> int:
    return stay.spool_id


@lru_cache(maxsize=8192)
def _sorbers(shape: Geometry, material: Material) -> Sorbers:
    """A box's spools are the same from sweep to sweep."""
    return drybox.sorber(shape, material)


@dataclass(frozen=True)
class Course:
    """The computed air of one box: (°C, % RH) by hour, and where the computing came to."""

    facts: BoxFacts
    hours: dict[datetime, tuple[float, float]]
    room_hours: dict[datetime, tuple[float, float]]
    last: Reached | None


class Turn(NamedTuple):
    """The air of a box from a turn on, and the fingerprint of what it rests on."""

    at: datetime
    temperature_c: float
    rh_pct: float
    basis: str


@dataclass(frozen=True)
class Turns:
    """The air of one box for the spools in it, turn by turn, without a gap."""

    periods: list[Period]
    found: list[Turn]

    def at(self, moment: datetime) -> tuple[tuple[float, float] | None, datetime]:
        """(°C, % RH) for the spools in it, None where none is computed, and until when that holds.

        Taken at every sixth hour and when a charge starts: a box changes slowly, and a winding's answer takes
        days.
        """
        quarter = quarter_of(moment)
        firsts = [period.first for period in self.periods]
        n = bisect_right(firsts, moment)
        begin = max([quarter, *firsts[:n][-1:]])
        return self._airs.get(begin), min([quarter + QUARTER, *firsts[n:][:1]])

    def basis(self, until: datetime) -> str:
        """What the air before that time rests on."""
        n = bisect_left(self._times, until)
        return self.found[n - 1].basis if n else ""

    @cached_property
    def _times(self) -> list[datetime]:
        return [turn.at for turn in self.found]

    @cached_property
    def _airs(self) -> dict[datetime, tuple[float, float]]:
        return {turn.at: (turn.temperature_c, turn.rh_pct) for turn in self.found}


def load_facts(
    since: Mapping[Place, datetime | None],
    charges: Mapping[int, list[DesiccantCharge]],
    opened_since: datetime = FOREVER,
) -> dict[int, BoxFacts]:
    """The facts of complete boxes that count from a time on, by place id; None: from the first charge on.

    What spools were through before is there for those that came in since, and for all where a charge starts
    since: nobody asks for that of others. opened_since: openings are wanted from then on. Seven queries for
    each thousand spools.
    """
    boxes = {place.pk: BoxFacts(place, charges[place.pk], [], {}) for place in since}
    begun = {place.pk: at for place, at in since.items()}
    wanted = Q(pk__in=[])
    for place, at in since.items():
        if charges[place.pk]:
            start = charges[place.pk][0].at if at is None else min(at, opened_since)
            wanted |= Q(place=place) & (Q(end=None) | Q(end__gte=start))
    inside = []
    for stay in Stay.objects.spans().filter(wanted):
        at = begun[stay.place_id]
        boxes[stay.place_id].stays.append(stay)
        # Of a spool that has left before, only the openings of the box are wanted.
        if at is None or stay.end is None or stay.end >= at:
            inside.append(stay)
    spools = spools_by_id({stay.spool_id for stay in inside}, weighings=False)
    pasts = {pk: Past(spool) for pk, spool in spools.items()}
    needed = set()
    for stay in inside:
        stay.spool = spools[stay.spool_id]
        box, at = boxes[stay.place_id], begun[stay.place_id]
        box.pasts[stay.spool_id] = pasts[stay.spool_id]
        if at is None or stay.start >= at or box.periods[-1].first > at:
            needed.add(stay.spool_id)
    stays, runs = Stay.objects.spans().filter(spool__in=needed), DryingRun.objects.filter(spool__in=needed)
    share_places(stays, runs)
    for stay in stays:
        pasts[stay.spool_id].stays.append(stay)
    for run in runs:
        pasts[run.spool_id].runs.append(run)
    for entry in MassEntry.objects.valid().amounts().filter(spool__in=list(pasts)):
        pasts[entry.spool_id].entries.append(entry)
    return boxes


def _charges(place_ids: Iterable[int]) -> dict[int, list[DesiccantCharge]]:
    """The charges that count of each box, in their order, by place id. One query."""
    charges: dict[int, list[DesiccantCharge]] = {pk: [] for pk in place_ids}
    for charge in DesiccantCharge.objects.valid().filter(place__in=charges):
        charges[charge.place_id].append(charge)
    return charges


def courses(places: Iterable[Place], since: datetime, until: datetime) -> dict[int, Course]:
    """The air of boxes by the hour, from the quarter of a day of ``since`` to ``until``, by place id."""
    boxes = list(stored(dict.fromkeys(places, since), until, state_by=quarter_of(since)).values())
    return {
        box.place.pk: _course(box, readings, hours, since)
        for box, readings, hours in walked(boxes, since, until, openings=True)
    }


def airs_at(places: Iterable[Place], at: datetime) -> dict[int, tuple[float, float, DesiccantCharge]]:
    """(°C, % RH, charge) of the complete boxes whose air is computed at a time, by place id."""
    places = list(places)
    if not places:
        return {}
    prefetch_related_objects(places, "room")
    airs = {}
    for pk, course in courses(places, at, at).items():
        air = course.hours.get(hour_of(at.astimezone(UTC)))
        if air is not None and course.last is not None:
            airs[pk] = (*air, course.last.period.charge)
    return airs


def _course(box: BoxFacts, readings: Readings, walked_hours: Iterable[Reached], since: datetime) -> Course:
    hours, room_hours, last = {}, {}, None
    for reached in walked_hours:
        if reached.hour >= quarter_of(since):
            hours[reached.hour] = box.air(readings, reached)
            room_hours[reached.hour] = box.room_air(readings, reached.hour)
        last = reached
    return Course(box, hours, room_hours, last)


# Hour by hour


def walk(
    box: BoxFacts, readings: Readings, start: Reached | None, since: datetime, until: datetime
) -> Iterator[Reached]:
    """The box at each hour up to that of ``until``: from ``start``, or from the charge at ``since`` on."""
    for period in box.periods:
        if period.end <= since:
            continue
        reached = start if start is not None and start.period.first == period.first else None
        reached = reached or _charged(box, readings, period)
        while reached.hour < period.end and reached.hour <= until:
            yield reached
            reached = _next(box, readings, reached)


def _charged(box: BoxFacts, readings: Readings, period: Period) -> Reached:
    """The box as a charge starts: the desiccant as it was put in, the air of the room."""
    charge, desiccant = period.charge, DESICCANTS[period.charge.kind]
    temperature_c, rh_pct = box.room_air(readings, period.first)
    kelvin = temperature_c + ZERO_C
    if charge.regenerated_c is not None:
        vapour_pa = vapour_pressure_pa(temperature_c, rh_pct)
        loading = desiccant.residual(charge.regenerated_c + ZERO_C, vapour_pa)
    elif charge.condition == DesiccantCharge.Condition.NEW:
        loading = desiccant.fresh
    else:
        loading = float(desiccant.loading(rh_pct / 100, kelvin))
    vessel = box.box(charge)
    water_kg = vessel.dry_kg * loading + vessel.volume_m3 * float(vapour_density(kelvin, rh_pct / 100))
    inside = box.inside(period.first, charge)
    held = np.concatenate([np.zeros(0), *(one.brought for one in inside)])
    return Reached(period.first, period, water_kg, tuple(one.spool.pk for one in inside), held)


def _next(box: BoxFacts, readings: Readings, reached: Reached) -> Reached:
    """The box an hour later."""
    end, charge = reached.hour + HOUR, reached.period.charge
    inside = box.inside(end, charge)
    ids, held = tuple(one.spool.pk for one in inside), reached.held
    if ids != reached.ids:
        before = reached.contents
        now = before | {one.spool.pk: one.brought for one in inside if one.spool.pk not in before}
        held = np.concatenate([np.zeros(0), *(now[pk] for pk in ids)])
    temperature_c, rh_pct = box.room_air(readings, reached.hour)
    state, _ = drybox.step(
        box.box(charge),
        box.together(inside),
        State(reached.water_kg, held),
        Room(3600.0, temperature_c + ZERO_C, rh_pct / 100, box.openings(reached.hour, end)),
    )
    return Reached(end, reached.period, state.water_kg, ids, state.contents)


# What is stored, and what is computed where that does not reach


def mark() -> str:
    """A fingerprint of all assumptions of the shop: while it stays, nothing stored need be looked through."""
    return fingerprint.fingerprint([VERSION, fingerprint.of_shop()])


@dataclass(frozen=True)
class Stored:
    """What is stored of a box and still good.

    found: its turns since a time, the newest at least. state: what the computing is continued from. facts:
    all of them, where they had to be loaded to tell what is good. mark: of the assumptions that it is good
    for.
    """

    place: Place
    charges: list[DesiccantCharge]
    found: list[Turn]
    state: BoxState | None
    facts: BoxFacts | None
    mark: str

    @cached_property
    def periods(self) -> list[Period]:
        return periods_of(self.charges)

    @property
    def start(self) -> Reached | None:
        """The box as it is continued from; None: from a charge."""
        if self.state is None:
            return None
        hour = self.state.at.astimezone(UTC)
        period = next(p for p in reversed(self.periods) if p.first <= hour)
        contents = {int(pk): values for pk, values in self.state.memory["contents"].items()}
        held = np.concatenate([np.zeros(0), *contents.values()])
        return Reached(hour, period, self.state.memory["water_kg"], tuple(contents), held)


def fresh(places: Iterable[Place]) -> dict[int, Stored]:
    """As if nothing of these boxes were stored, by place id."""
    places = list(places)
    present, facts = mark(), load_facts(dict.fromkeys(places), _charges(place.pk for place in places))
    return {pk: Stored(box.place, box.charges, [], None, box, present) for pk, box in facts.items()}


def stored(
    since: Mapping[Place, datetime],
    until: datetime,
    *,
    states: bool = True,
    state_by: datetime | None = None,
) -> dict[int, Stored]:
    """What is stored of boxes from a time on and before ``until``, by place id.

    states: whether one to continue from is wanted, too, as late as may be or at or before state_by. Five
    queries however many boxes; seven more where the shop's assumptions are not what they were.
    """
    places = {place.pk: place for place in since}
    charges = _charges(places)
    present = mark() if any(charges.values()) else ""
    found, marks = _turns(since, until)
    newest = _states(places, state_by or until) if states else {}
    doubtful = [place for pk, place in places.items() if charges[pk] and marks.get(pk) != present]
    facts = load_facts(dict.fromkeys(doubtful), charges) if doubtful else {}
    result = {}
    for pk, place in places.items():
        state = newest.get(pk)
        if pk in facts:
            good = facts[pk].fingerprints_by_time(until)
            found[pk] = [turn for turn in found[pk] if good.get(turn.at) == turn.basis]
            state = state if state is not None and good.get(state.at) == state.basis else None
        result[pk] = Stored(place, charges[pk], found[pk], state, facts.get(pk), present)
    return result


def _turns(since: Mapping[Place, datetime], until: datetime) -> tuple[dict[int, list[Turn]], dict[int, str]]:
    """Stored turns and the mark of the last of them, by place id. One query."""
    newest = BoxAir.objects.filter(place=OuterRef("pk"), at__lt=until).order_by("-at").values("pk")[:1]
    places = Place.objects.filter(pk__in=[place.pk for place in since]).annotate(newest=Subquery(newest))
    wanted = Q(pk__in=places.values("newest"))
    for place, at in since.items():
        wanted |= Q(place=place, at__gte=quarter_of(at), at__lt=until)
    found: dict[int, list[Turn]] = {place.pk: [] for place in since}
    marks: dict[int, str] = {}
    rows = BoxAir.objects.filter(wanted).order_by("at")
    for pk, assumed, at, *row in rows.values_list("place", "assumed", *Turn._fields):
        found[pk].append(Turn(at.astimezone(UTC), *row))
        marks[pk] = assumed
    return found, marks


def _states(place_ids: Iterable[int], by: datetime) -> dict[int, BoxState]:
    """The newest state of each box at or before a time, by place id. One query."""
    newest = BoxState.objects.filter(place=OuterRef("pk"), at__lte=by, model_version=VERSION)
    places = Place.objects.filter(pk__in=list(place_ids)).annotate(
        newest=Subquery(newest.order_by("-at").values("pk")[:1])
    )
    return {row.place_id: row for row in BoxState.objects.filter(pk__in=places.values("newest"))}


def turns_of(spans: Mapping[Place, tuple[datetime, datetime]]) -> dict[int, Turns]:
    """The air of boxes for the spools in them, from a time on and before another, by place id.

    What is not stored is computed.
    """
    since = {place: start for place, (start, _) in spans.items()}
    until = max(end for _, end in spans.values())
    found = stored(since, until, states=False)
    short = {}
    for place, (start, end) in spans.items():
        box = found[place.pk]
        known = {turn.at for turn in box.found}
        if any(turn not in known for turn in turns(box.periods, quarter_of(start), end)):
            short[place] = start
    result = {pk: Turns(box.periods, box.found) for pk, box in found.items()}
    behind = list(stored(short, until).values()) if short else []
    for box, steps in followed(behind, min(since.values()), until):
        told = {turn.at: turn for turn in box.found}
        told |= {turn.at: turn for _, turn in steps if turn is not None}
        result[box.place.pk] = Turns(box.periods, [told[at] for at in sorted(told)])
    return result


def followed(
    boxes: Sequence[Stored], since: datetime, until: datetime
) -> Iterator[tuple[Stored, Iterator[tuple[Reached, Turn | None]]]]:
    """Boxes hour by hour up to ``until``, with the air of those hours that are turns before it."""
    for stored_, (box, readings, hours) in zip(boxes, walked(boxes, since, until), strict=True):
        if stored_.found and stored_.state is not None:
            last = stored_.found[-1]
            later = list(turns(box.periods, last.at + HOUR, until))
            told = {turn.at: turn.basis for turn in stored_.found}
            told |= dict(zip(later, box.fingerprints(later, (last.at, last.basis)), strict=True))
        else:
            told = box.fingerprints_by_time(until)
        yield stored_, _told(box, readings, hours, told)


def _told(
    box: BoxFacts, readings: Readings, hours: Iterable[Reached], told: Mapping[datetime, str]
) -> Iterator[tuple[Reached, Turn | None]]:
    for reached in hours:
        turn = None
        if reached.hour in told:
            turn = Turn(reached.hour, *box.air(readings, reached), told[reached.hour])
        yield reached, turn


def walked(
    boxes: Sequence[Stored], since: datetime, until: datetime, *, openings: bool = False
) -> Iterator[tuple[BoxFacts, Readings, Iterator[Reached]]]:
    """Boxes hour by hour up to ``until``: from the state that is stored, else from the charge at ``since``.

    openings: whether those of OPENINGS_OVER are wanted with the facts.
    """
    facts = {box.place.pk: box.facts for box in boxes if box.facts is not None}
    begun = {box.place: None if box.state is None else box.state.at for box in boxes if box.facts is None}
    charges = {box.place.pk: box.charges for box in boxes}
    opened_since = until - OPENINGS_OVER if openings else FOREVER
    facts |= load_facts(begun, charges, opened_since) if begun else {}
    begins = [facts[b.place.pk].since(since) if b.state is None else b.state.at for b in boxes]
    first: dict[int, datetime] = {}
    for box, begin in zip(boxes, begins, strict=True):
        room = facts[box.place.pk].room.pk
        first[room] = min(first.get(room, begin), begin)
    readings = load_readings(first, until)
    for box, begin in zip(boxes, begins, strict=True):
        own = facts[box.place.pk]
        room_readings = readings[own.room.pk]
        yield own, room_readings, walk(own, room_readings, box.start, max(since, begin), until)
