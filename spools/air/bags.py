"""A re-closed bag is a small dry box: its film leaks, and air, sachet and the one spool in it share the water.

A place of kind "sealed bag" holds many bags, one for each spool; film and sachet of the place are those of each bag.
Every stay begins with a newly closed bag: the air of the room, a fresh sachet, and the water that the spool brought
(docs/decisions/037-bags.md). Nothing is stored: the air of a stay follows from the facts within milliseconds.

The film's leak follows from its water vapour transmission rate, measured at 38 °C and 90 % RH. Permeability rises
with temperature by Arrhenius' law; FILM_ENERGY_J_MOL is that of polyethylene (from memory: 33 to 42 kJ/mol).
"""

import math
from bisect import bisect_right
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import NamedTuple

import numpy as np

from spools.air.dry_box_cache import AirSeries, load_series
from spools.air.dry_box_facts import PriorHistory, bring_in, build_sorbers, is_complete, load_priors, room_air
from spools.air.dry_box_simulation import QUARTER, quarter_of
from spools.air.enclosures import BAG_AHEAD_H, Pieces, forecast_air
from spools.air.hourly import load_readings
from spools.inventory.openings import load_opened
from spools.models import Place, Spool, Stay
from spools.physics import drybox
from spools.physics.air import GAS_CONSTANT, ZERO_C, saturation_density, saturation_pressure, vapour_density
from spools.physics.desiccant import DESICCANTS
from spools.physics.drybox import Box, DryBoxContents, Room
from spools.physics.sorbers import Sorbers

# A bag around one spool of 1 kg, two sides of 35 x 35 cm, and the air that stays in it. Common practice, no source.
AREA_M2, VOLUME_M3 = 0.25, 0.004
TESTED_K, TESTED_RH, TYPICAL_K = 38 + ZERO_C, 0.9, 23 + ZERO_C
FILM_ENERGY_J_MOL = 38_000.0
QUICK = timedelta(days=2)


class Film(NamedTuple):
    """wvtr_g_m2_d: water vapour transmission rate at 38 °C and 90 % RH."""

    wvtr_g_m2_d: float
    source: str


FILMS = {
    Place.Film.THIN_PE: Film(
        8.0, "50 um of low-density PE: 1 to 2 g mil/100 in2/day (Biosystems Engineering, table 11.2)"
    ),
    Place.Film.ZIP: Film(
        8.0, "50 um of low-density PE as above; its zip leaks about as much again: from memory"
    ),
    Place.Film.VACUUM: Film(
        4.0, "nylon 6 on low-density PE, 0.5 g mil/100 in2/day (same table) to that of its PE"
    ),
    Place.Film.METALLISED: Film(
        0.5, "12 um metallised PET on 50 um PE: 0.4 (a maker's table), a little more when creased"
    ),
    Place.Film.FOIL: Film(
        0.05, "PET, aluminium foil, PE: below 0.01 (same table), and its seam: from memory"
    ),
}
ZIP_LEAK = 2.0


def is_computed_bag(place: Place) -> bool:
    """Whether the air of the bags in a place is computed: their film and the room that they lie in are known."""
    return place.kind == Place.Kind.BAG and bool(place.film) and place.room_id is not None


def air_changes_s(film: str) -> float:
    """The leak of a bag of this film as air changes, 1/s: what diffuses in, over the water of saturated air in it."""
    rate_kg_m2_s = FILMS[Place.Film(film)].wvtr_g_m2_d / 1000 / drybox.DAY_S / TESTED_RH
    cooler = math.exp(-FILM_ENERGY_J_MOL / GAS_CONSTANT * (1 / TYPICAL_K - 1 / TESTED_K))
    pressures = float(saturation_pressure(TYPICAL_K)) / float(saturation_pressure(TESTED_K))
    inward_kg_s = AREA_M2 * rate_kg_m2_s * cooler * pressures
    leak = ZIP_LEAK if film == Place.Film.ZIP else 1.0
    return leak * inward_kg_s / (VOLUME_M3 * float(saturation_density(TYPICAL_K)))


def build_bag(place: Place) -> Box:
    """One bag of a place, as the physics takes it, with its sachet of silica gel."""
    return Box(VOLUME_M3, air_changes_s(place.film), DESICCANTS["silica_gel"], place.sachet_g / 1000)


class BagStep(NamedTuple):
    """The air of a bag from a time on, (°C, % RH), the state that it ends with, and the air around the bag."""

    start: datetime
    air: tuple[float, float]
    state: DryBoxContents
    around: tuple[float, float]


@dataclass(frozen=True)
class BagAir:
    """The air of one bag, step by step, each until the next one; the last goes on."""

    steps: list[BagStep]
    place: Place
    sorbers: Sorbers

    def _count(self, moment: datetime) -> int:
        """The steps that have begun by a time; the first always has."""
        return max(1, bisect_right(self.steps, moment, key=lambda step: step.start))

    def at(self, moment: datetime) -> tuple[tuple[float, float], datetime | None]:
        """The air at a time in it, and until when that holds; None: as long as nothing more is computed."""
        n = self._count(moment)
        return self.steps[n - 1].air, self.steps[n].start if n < len(self.steps) else None

    def before(self, until: datetime) -> "BagAir":
        """The same without the steps that begin at a time or later, but for the first."""
        return BagAir(self.steps[: self._count(until - timedelta.resolution)], self.place, self.sorbers)

    def ahead(self, moment: datetime) -> Pieces:
        """(hours, °C, % RH) from a time on, if the air around stays as it is."""
        step = self.steps[self._count(moment) - 1]
        return forecast_air(build_bag(self.place), self.sorbers, step.state, step.around, BAG_AHEAD_H)


def close_bag(
    place: Place, spool: Spool, mass_g: float, water_pct: float, room: tuple[float, float]
) -> Pieces:
    """(hours, °C, % RH) in a bag that is closed around a spool of this much water, if the room stays as it is."""
    sorbers = build_sorbers(spool, mass_g)
    contents = np.full(len(sorbers.mass_kg), water_pct / 100)
    bag = build_bag(place)
    return forecast_air(bag, sorbers, _closed(bag, contents, room), room, BAG_AHEAD_H)


def _closed(bag: Box, contents: np.ndarray, room: tuple[float, float]) -> DryBoxContents:
    """A bag as it is closed: the air of the room, °C and % RH, and a fresh sachet."""
    in_air = bag.volume_m3 * float(vapour_density(room[0] + ZERO_C, room[1] / 100))
    return DryBoxContents(bag.dry_kg * bag.desiccant.fresh + in_air, contents)


def _next_step(start: datetime, at: datetime) -> datetime:
    """The end of the step that begins at a time: each quarter of a UTC day, after some days each half."""
    following = quarter_of(at) + QUARTER
    return following + QUARTER if at >= start + QUICK and following.hour % 12 else following


def simulate_bag(
    place: Place,
    sorbers: Sorbers,
    contents: np.ndarray,
    span: tuple[datetime, datetime],
    room_at: Callable[[datetime], tuple[float, float]],
) -> BagAir:
    """The air of a bag from when it was closed until a time.

    Steps are whole ones and take the room as it is at their start, so they do not depend on the time asked for. The
    air of a step is that at its end: a bag follows its spool within minutes.
    """
    bag, (start, until) = build_bag(place), span
    steps: list[BagStep] = []
    state = _closed(bag, contents, room_at(start))
    at = start
    while at < until or not steps:
        end = _next_step(start, at)
        room_c, room_rh_pct = room_at(at)
        kelvin = room_c + ZERO_C
        room = Room((end - at).total_seconds(), kelvin, room_rh_pct / 100)
        state, _ = drybox.step(bag, sorbers, state, room)
        air = room_c, 100 * bag.rh(state.water_kg, kelvin)
        steps.append(BagStep(at, air, state, (room_c, room_rh_pct)))
        at = end
    return BagAir(steps, place, sorbers)


def load_bags(stays: Sequence[Stay], spools: Mapping[int, Spool], until: datetime) -> dict[int, BagAir]:
    """The air of the bags of these stays up to a time, by stay id; none of bags that nobody opened.

    Six queries, some more where bags lie in dry boxes.
    """
    spools = {stay.spool_id: spools[stay.spool_id] for stay in stays}
    opened = load_opened(spools)
    priors = {pk: PriorHistory(spool, at and at.at) for pk, spool in spools.items() for at in [opened[pk]]}
    load_priors(priors, set(priors))
    first: dict[int, datetime] = {}
    for stay in stays:
        assert stay.place.room_id is not None
        first[stay.place.room_id] = min(first.get(stay.place.room_id, stay.start), stay.start)
    readings, boxes = load_readings(first, until), _load_boxes_around(stays, until)
    bags = {}
    for stay in stays:
        prior, room, end = priors[stay.spool_id], stay.place.room, min(stay.end or until, until)
        assert room is not None
        if prior.opened_at is None or max(stay.start, prior.opened_at) > end:
            continue
        start = max(stay.start, prior.opened_at).astimezone(UTC)
        inside = bring_in(prior, start, start)

        def room_at(at: datetime, room: Place = room) -> tuple[float, float]:
            is_read = room.pk not in boxes or readings[room.pk].at(at)[0] is not None
            computed = None if is_read else boxes[room.pk].at(at)[0]
            return computed or room_air(room, readings[room.pk], at)

        bags[stay.pk] = simulate_bag(stay.place, inside.sorbers, inside.brought, (start, end), room_at)
    return bags


def _load_boxes_around(stays: Iterable[Stay], until: datetime) -> dict[int, AirSeries]:
    """The air of the dry boxes in which bags lie, where it may be computed, by place id."""
    spans: dict[Place, tuple[datetime, datetime]] = {}
    for stay in stays:
        if (box := stay.place.room) is not None and is_complete(box):
            start, _ = spans.get(box, (stay.start, until))
            spans[box] = min(start, stay.start), until
    return load_series(spans) if spans else {}
