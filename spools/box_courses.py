"""The computed air of a dry box, hour by hour, from facts alone: charges, stays, the air of its room.

The air of a UTC hour is that of the state at its beginning, which knows the facts before it: an opening, a
spool or a charge counts from the next full hour on. A charge starts the course anew, and until the next one
each hour follows from the one before, so a course is the same to the bit wherever it is continued from.
After a charge of 0 g the box follows its room.

What a spool brings in: the likely contents of the spool as it came (no ensemble), taken through the air
assumed for the places where it was, and what its drying runs made of it; readings there are left out, and so
is what another box computes. Its mass is the one with which it came in.
"""

from bisect import bisect_left
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import cached_property
from itertools import pairwise
from typing import Any

import numpy as np
from django.db.models import Q, prefetch_related_objects

from . import basis, ledger
from .hourly import (
    FOREVER,
    HOUR,
    Readings,
    heated_rh_pct,
    hour_of,
    load_readings,
    rh_at_pressure,
    vapour_pressure_pa,
)
from .models import DesiccantCharge, DryingRun, MassEntry, Place, Stay
from .moves import opened_at
from .physics import drybox
from .physics.air import ZERO_C, Array, vapour_density
from .physics.desiccant import DESICCANTS
from .physics.drybox import Box, Room, Sorbers, State
from .physics.isotherm import Isotherm
from .physics.state import Material
from .windings import first_members, received, start_rh

# Raise it when the physics or the steps change: states of another version are not continued from.
VERSION = 2
QUARTER = timedelta(hours=6)


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

    stays: list[Stay] = field(default_factory=list)
    runs: list[DryingRun] = field(default_factory=list)
    entries: list[MassEntry] = field(default_factory=list)

    def airs(self, until: datetime) -> Iterator[tuple[timedelta, float, float]]:
        """(duration, °C, % RH) after the other that it was in, as assumed; not while its bag was closed."""
        if not self.stays:
            return
        opened = opened_at(self.stays[0].spool, self.stays)
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


@dataclass(frozen=True)
class Period:
    """The hours of one charge, from the first that knows it up to (not with) the first of the next."""

    charge: DesiccantCharge
    first: datetime
    end: datetime


@dataclass(frozen=True)
class Reached:
    """A box at the beginning of an hour: water in air and desiccant, and the contents of its spools."""

    hour: datetime
    period: Period
    water_kg: float
    contents: dict[int, Array]


@dataclass(frozen=True)
class Inside:
    """A spool in the box: what it is in the balance, and what it brought in."""

    spool_id: int
    sorbers: Sorbers
    brought: Array


@dataclass(frozen=True)
class BoxFacts:
    """All facts that shape a box's air. stays: those in it, in the order of their starts, with spools."""

    place: Place
    charges: list[DesiccantCharge]
    stays: list[Stay]
    pasts: dict[int, Past]
    _inside: dict[tuple[int, datetime], Inside] = field(default_factory=dict)

    @property
    def room(self) -> Place:
        assert self.place.room is not None
        return self.place.room

    def periods(self) -> list[Period]:
        firsts = [hour_of(charge.at.astimezone(UTC)) + HOUR for charge in self.charges]
        return [
            Period(charge, first, end)
            for charge, first, end in zip(self.charges, firsts, [*firsts[1:], FOREVER], strict=False)
            if first < end
        ]

    def since(self, at: datetime) -> datetime:
        """From when on facts count for the air at that time and later: that of its charge."""
        return next((min(p.charge.at, at) for p in self.periods() if p.end > at), at)

    def basis(self, start: datetime, until: datetime) -> list[Any]:
        """What is assumed for the air between two times."""
        since, place, room = self.since(start), self.place, self.room
        spools = [
            basis.of_spool(
                stay.spool, self.pasts[stay.spool_id].stays, self.pasts[stay.spool_id].runs, stay.start
            )
            for stay in self.stays
            if stay.start < until and (stay.end is None or stay.end >= since)
        ]
        return [
            [place.volume_l, place.half_time_h, place.assumed_temperature_c, place.assumed_rh_pct],
            [room.pk, room.assumed_temperature_c, room.assumed_rh_pct],
            *spools,
        ]

    def box(self, charge: DesiccantCharge) -> Box:
        place = self.place
        assert place.volume_l is not None and place.half_time_h is not None
        return Box(
            place.volume_l / 1000,
            drybox.air_changes_s(3600 * place.half_time_h),
            DESICCANTS[charge.kind],
            charge.dry_mass_g / 1000,
        )

    def room_air(self, readings: Readings, hour: datetime) -> tuple[float, float]:
        """°C and % RH of its room in an hour: read, or assumed."""
        state, _ = readings.at(hour)
        if state is None:
            return self.room.assumed_temperature_c, self.room.assumed_rh_pct
        return state[0], rh_at_pressure(state[1], state[0])

    def inside(self, at: datetime, charge: DesiccantCharge) -> list[Inside]:
        """The spools that are in it at the end of an hour, by their ids."""
        there = [s for s in self.stays if s.start < at and (s.end is None or s.end >= at)]
        return [self._sorbing(stay, max(stay.start, charge.at)) for stay in sorted(there, key=_spool_id)]

    def _sorbing(self, stay: Stay, at: datetime) -> Inside:
        key = (stay.pk, at)
        if key not in self._inside:
            self._inside[key] = self._brought(stay, at)
        return self._inside[key]

    def _brought(self, stay: Stay, at: datetime) -> Inside:
        spool, past = stay.spool, self.pasts[stay.spool_id]
        masses = ledger.winding_masses(spool, past.entries)
        mass_g = [m for when, m in masses if when <= stay.start][-1:] or [m for _, m in masses[:1]]
        winding = received(spool, mass_g[0], first_members(spool)[:1])
        sorbers = drybox.sorber(winding.geometry, _likely(winding.material))
        contents = sorbers.balanced(start_rh(spool)[0][1] / 100)
        for duration, temperature_c, rh_pct in past.airs(at):
            contents = sorbers.relaxed(
                contents, rh_pct / 100, temperature_c + ZERO_C, duration.total_seconds()
            )
        return Inside(stay.spool_id, sorbers, contents)

    def openings(self, start: datetime, end: datetime) -> int:
        """How often it was opened: each scan in or out is one; several at one time are one, too."""
        return bisect_left(self._times, end) - bisect_left(self._times, start)

    @cached_property
    def _times(self) -> list[datetime]:
        return sorted({t for stay in self.stays for t in (stay.start, stay.end) if t is not None})


def _spool_id(stay: Stay) -> int:
    return stay.spool_id


def _likely(material: Material) -> Material:
    """The first member of the ensemble, which is the median of all."""

    def first(value: Any) -> float:
        return float(np.ravel(value)[0])

    isotherm = material.isotherm
    return Material(
        first(material.d23_m2_s),
        first(material.e_d_j_mol),
        Isotherm(
            isotherm.kind,
            first(isotherm.w50),
            first(isotherm.c),
            first(isotherm.k),
            first(isotherm.density_kg_m3),
        ),
    )


@dataclass(frozen=True)
class Course:
    """The computed air of one box: (°C, % RH) by hour, and where the computing came to."""

    facts: BoxFacts
    hours: dict[datetime, tuple[float, float]]
    room_hours: dict[datetime, tuple[float, float]]
    last: Reached | None

    def at(self, moment: datetime) -> tuple[tuple[float, float] | None, datetime]:
        """(°C, % RH) for the spools in it, None where none is computed, and until when that holds.

        Taken at every sixth hour and when a charge starts: a box changes slowly, and a winding's answer takes
        days.
        """
        firsts = [period.first for period in self.facts.periods()]
        begin = max([quarter_of(moment), *(first for first in firsts if first <= moment)])
        until = min([quarter_of(moment) + QUARTER, *(first for first in firsts if first > moment)])
        return self.hours.get(begin), until


def load_facts(since: Mapping[Place, datetime]) -> dict[int, BoxFacts]:
    """The facts of complete boxes that count from a time on, by place id. Five queries however many."""
    charges: dict[int, list[DesiccantCharge]] = {place.pk: [] for place in since}
    for charge in DesiccantCharge.objects.filter(place__in=charges, withdrawn_at=None):
        charges[charge.place_id].append(charge)
    boxes = {place.pk: BoxFacts(place, charges[place.pk], [], {}) for place in since}
    wanted = Q(pk__in=[])
    for place, at in since.items():
        wanted |= Q(place=place) & (Q(end=None) | Q(end__gte=boxes[place.pk].since(at)))
    pasts: dict[int, Past] = {}
    materials = ("spool__feedstock__polymer", "spool__feedstock__filler", "spool__feedstock__maker")
    for stay in Stay.objects.filter(wanted).select_related(*materials):
        boxes[stay.place_id].stays.append(stay)
        boxes[stay.place_id].pasts[stay.spool_id] = pasts.setdefault(stay.spool_id, Past())
    for stay in Stay.objects.filter(spool__in=pasts).select_related("spool", "place__room"):
        pasts[stay.spool_id].stays.append(stay)
    for run in DryingRun.objects.filter(spool__in=pasts).select_related("dryer"):
        pasts[run.spool_id].runs.append(run)
    for entry in MassEntry.objects.standing().filter(spool__in=pasts):
        pasts[entry.spool_id].entries.append(entry)
    return boxes


def courses(
    boxes: Mapping[int, BoxFacts], since: Mapping[int, datetime], until: datetime
) -> dict[int, Course]:
    """The air of boxes from the quarter of a day of ``since`` to the hour of ``until``, by place id.

    One query for the readings of the rooms and one a box for where to continue from.
    """
    starts = {pk: stored(box, since[pk]) for pk, box in boxes.items()}
    first: dict[int, datetime] = {}
    for pk, box in boxes.items():
        start = starts[pk]
        begin = box.since(since[pk]) if start is None else start.hour
        first[box.room.pk] = min(first.get(box.room.pk, begin), begin)
    readings = load_readings(first, until)
    return {
        pk: _course(box, readings[box.room.pk], starts[pk], since[pk], until) for pk, box in boxes.items()
    }


def course_of(place: Place, since: datetime, until: datetime) -> Course:
    """The air of one complete box."""
    return courses(load_facts({place: since}), {place.pk: since}, until)[place.pk]


def airs_at(places: Iterable[Place], at: datetime) -> dict[int, tuple[float, float, DesiccantCharge]]:
    """(°C, % RH, charge) of the complete boxes whose air is computed at a time, by place id."""
    places = list(places)
    if not places:
        return {}
    prefetch_related_objects(places, "room")
    found = courses(load_facts(dict.fromkeys(places, at)), {place.pk: at for place in places}, at)
    airs = {}
    for pk, course in found.items():
        air = course.hours.get(hour_of(at.astimezone(UTC)))
        if air is not None and course.last is not None:
            airs[pk] = (*air, course.last.period.charge)
    return airs


def _course(
    box: BoxFacts, readings: Readings, start: Reached | None, since: datetime, until: datetime
) -> Course:
    hours, room_hours, last = {}, {}, None
    for reached in walk(box, readings, start, since, until):
        if reached.hour >= quarter_of(since):
            temperature_c, room_rh_pct = box.room_air(readings, reached.hour)
            rh = box.box(reached.period.charge).rh(reached.water_kg, temperature_c + ZERO_C)
            hours[reached.hour] = (temperature_c, 100 * rh)
            room_hours[reached.hour] = (temperature_c, room_rh_pct)
        last = reached
    return Course(box, hours, room_hours, last)


def walk(
    box: BoxFacts, readings: Readings, start: Reached | None, since: datetime, until: datetime
) -> Iterator[Reached]:
    """The box at each hour up to that of ``until``: from ``start``, or from the charge at ``since`` on."""
    for period in box.periods():
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
    contents = {one.spool_id: one.brought for one in box.inside(period.first, charge)}
    return Reached(period.first, period, water_kg, contents)


def _next(box: BoxFacts, readings: Readings, reached: Reached) -> Reached:
    """The box an hour later."""
    end, charge = reached.hour + HOUR, reached.period.charge
    inside = box.inside(end, charge)
    contents = [reached.contents.get(one.spool_id, one.brought) for one in inside]
    temperature_c, rh_pct = box.room_air(readings, reached.hour)
    state, _ = drybox.step(
        box.box(charge),
        drybox.side_by_side([one.sorbers for one in inside]),
        State(reached.water_kg, np.concatenate([np.zeros(0), *contents])),
        Room(3600.0, temperature_c + ZERO_C, rh_pct / 100, box.openings(reached.hour, end)),
    )
    parts = np.split(state.contents, np.cumsum([len(part) for part in contents])[:-1])
    after = {one.spool_id: part for one, part in zip(inside, parts, strict=False)}
    return Reached(end, reached.period, state.water_kg, after)


def stored(box: BoxFacts, since: datetime) -> Reached | None:
    """The newest stored state to continue from, None without one that is still good."""
    row = box.place.box_states.filter(at__lte=hour_of(since.astimezone(UTC))).last()
    period = next((p for p in reversed(box.periods()) if row is not None and p.first <= row.at), None)
    if row is None or period is None or not (period.first <= row.at < period.end):
        return None
    if row.model_version != VERSION or row.basis != fingerprint_at(box, row.at):
        return None
    contents = {int(pk): np.array(values) for pk, values in row.memory["contents"].items()}
    return Reached(row.at.astimezone(UTC), period, row.memory["water_kg"], contents)


def fingerprint_at(box: BoxFacts, at: datetime) -> str:
    return basis.fingerprint(box.basis(at, at))
