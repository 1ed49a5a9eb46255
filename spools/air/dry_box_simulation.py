"""The computed air of a dry box, hour by hour, from facts alone: charges, stays, the air of its room.

The air of a UTC hour is that of the state at its beginning, which knows the facts before it: an opening, a
spool or a charge counts from the next full hour on. A charge restarts the simulation, and until the next
charge each hour follows from the one before. So a simulation gives the same bits wherever it is continued
from. After a charge of 0 g the box follows its room.

The water that a spool brings in comes from the likely contents of the spool as it was received (no ensemble),
taken through the air assumed for the places where it was, and through its drying runs. Readings in these
places, and the computed air of other boxes, are left out. Its mass is the one with which it came in.

Spools take the air of their box at its sample times only: each quarter of a UTC day, and the hour that a
charge starts with. These samples are stored (spools/air/dry_box_cache.py).
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np

from spools.air.dry_box_facts import BoxFacts, ChargePeriod, SpoolInside, room_air
from spools.air.hourly import HOUR, HourlyReadings, hour_of, vapour_pressure_pa
from spools.models import DesiccantCharge
from spools.physics import drybox
from spools.physics.air import ZERO_C, Array, vapour_density
from spools.physics.desiccant import DESICCANTS
from spools.physics.drybox import DryBoxContents, Room

QUARTER = timedelta(hours=6)


def quarter_of(at: datetime) -> datetime:
    """The start of the quarter of its UTC day."""
    hour = hour_of(at.astimezone(UTC))
    return hour - timedelta(hours=hour.hour % 6)


def sample_times(periods: Iterable[ChargePeriod], since: datetime, until: datetime) -> Iterator[datetime]:
    """The sample times of a box from ``since`` on and before ``until``, in order."""
    for period in periods:
        at = period.first
        if at < since:
            at = quarter_of(since + QUARTER - timedelta.resolution)
        while at < min(period.end, until):
            yield at
            at = quarter_of(at) + QUARTER


@dataclass(frozen=True)
class HourState:
    """A box at the beginning of an hour: water in air and desiccant, and the contents of its spools.

    held: of the spools ``ids`` one after the other, as many contents each.
    """

    hour: datetime
    period: ChargePeriod
    water_kg: float
    ids: tuple[int, ...]
    held: Array

    @property
    def contents(self) -> dict[int, Array]:
        """By spool id."""
        return dict(zip(self.ids, self.held.reshape(len(self.ids), -1), strict=True)) if self.ids else {}


@dataclass(frozen=True)
class BoxSimulation:
    """A box, the readings of its room, and where its simulation starts.

    start: the state to continue from; None: from the charge at ``since``.
    """

    facts: BoxFacts
    room_readings: HourlyReadings
    start: HourState | None
    since: datetime

    def run(self, until: datetime) -> Iterator[HourState]:
        """The box at each hour up to that of ``until``."""
        for period in self.facts.periods:
            if period.end <= self.since:
                continue
            state = self.start if self.start is not None and self.start.period.first == period.first else None
            state = state or self._first_state(period)
            while state.hour < period.end and state.hour <= until:
                yield state
                state = self._next_state(state)

    def samples(self, until: datetime) -> Iterator[HourState]:
        """The states at the sample times before ``until``."""
        for state in self.run(until):
            is_sampled = state.hour in (state.period.first, quarter_of(state.hour))
            if is_sampled and state.hour < until:
                yield state

    def air(self, state: HourState) -> tuple[float, float]:
        """°C and % RH in the box."""
        temperature_c, _ = self.room_air(state.hour)
        rh = self.facts.box(state.period.charge).rh(state.water_kg, temperature_c + ZERO_C)
        return temperature_c, 100 * rh

    def room_air(self, hour: datetime) -> tuple[float, float]:
        """°C and % RH of its room in an hour: measured, or assumed."""
        return room_air(self.facts.room, self.room_readings, hour)

    def _first_state(self, period: ChargePeriod) -> HourState:
        """The box as a charge starts: the desiccant as it was put in, the air of the room."""
        charge, desiccant = period.charge, DESICCANTS[period.charge.kind]
        temperature_c, rh_pct = self.room_air(period.first)
        kelvin = temperature_c + ZERO_C
        if charge.regenerated_c is not None:
            vapour_pa = vapour_pressure_pa(temperature_c, rh_pct)
            loading = desiccant.residual(charge.regenerated_c + ZERO_C, vapour_pa)
        elif charge.condition == DesiccantCharge.Condition.NEW:
            loading = desiccant.fresh
        else:
            loading = float(desiccant.loading(rh_pct / 100, kelvin))
        vessel = self.facts.box(charge)
        water_kg = vessel.dry_kg * loading + vessel.volume_m3 * float(vapour_density(kelvin, rh_pct / 100))
        inside = self.facts.inside(period.first, charge)
        held = np.concatenate([np.zeros(0), *(spool_inside.brought for spool_inside in inside)])
        return HourState(period.first, period, water_kg, _ids(inside), held)

    def _next_state(self, state: HourState) -> HourState:
        """The box an hour later."""
        end, charge = state.hour + HOUR, state.period.charge
        inside = self.facts.inside(end, charge)
        ids, held = _ids(inside), state.held
        if ids != state.ids:
            before = state.contents
            arrived = {i.spool.pk: i.brought for i in inside if i.spool.pk not in before}
            held = np.concatenate([np.zeros(0), *((before | arrived)[pk] for pk in ids)])
        temperature_c, rh_pct = self.room_air(state.hour)
        after, _ = drybox.step(
            self.facts.box(charge),
            self.facts.together(inside),
            DryBoxContents(state.water_kg, held),
            Room(3600.0, temperature_c + ZERO_C, rh_pct / 100, self.facts.openings(state.hour, end)),
        )
        return HourState(end, state.period, after.water_kg, ids, after.contents)


def _ids(inside: Sequence[SpoolInside]) -> tuple[int, ...]:
    return tuple(spool_inside.spool.pk for spool_inside in inside)
