"""Are the prediction intervals of the moisture calibrated, also where the world differs from what is recorded?

    python -m benchmarks.moisture_calibration --spools 100

Synthetic spools whose truth is known: for each the numbers of the polymer, and the wetness on receipt, are drawn
from the spreads that the ensemble is drawn from. It is printed from, left in a room, dried, and weighed on a scale
that rounds and does not quite repeat. The ensemble knows the spreads, the humidity that the hygrometer shows, the
set point of the dryer and the weighings. In the first world that is all there is to know; in each of the others
something else is true, and in the last one everything is off at random. An 80 % interval should hold the truth
in about 80 % of the spools. docs/benchmarks.md shows the results.
"""

import argparse
import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import django
import numpy as np

from spools.physics.air import ZERO_C, Array, heated_rh
from spools.physics.ensemble import Spread, interval
from spools.physics.evidence import OF_BAND, PRINTED_SD, Load, Weighings, assimilate
from spools.physics.geometry import Geometry, pore_share
from spools.physics.isotherm import LEAST_GAB_C, Isotherm, gab_k
from spools.physics.state import Material, WindingState, outermost, resize, uniform
from spools.physics.stepping import FORECAST_TOLERANCE
from spools.physics.surroundings import Surroundings, join
from spools.physics.winding import Lane, advance

from .air_errors import AirErrors, spread_air
from .feedstock_lessons import Lesson, combine, lesson_from
from .members import Between, Members, first_members

DAY_H = 24
ROOM_K = 22 + ZERO_C
OUTER_KG = 0.05
CORE_KG, CORE_PLUS_MINUS_KG = 0.25, 0.025
NET_KG, NET_SHARE = 1.0, 0.02
LOOSE_KG = 0.003
STEP_KG = 0.001
DRYER_ERROR_K = 5.0
ROOM_ERRORS = AirErrors("room")
DRYER_ERRORS = AirErrors("room", dryer="dryer", dryer_sd_k=DRYER_ERROR_K * OF_BAND)
# The c of a GAB isotherm as its 5 % and 95 % quantiles, and the air between the turns. Common practice, no source.
LOW_GAB_C, HIGH_GAB_C = 1.2, 8.0
PORE_FRACTION = Between(0.22, 0.30, 0.40)
MEMBERS = 64
SHARED = ("w50_pct", "d23_m2_s", "e_d_kj_mol", "gab_c")
# When the intervals are compared with the truth: after so many events, with so many weighings known.
LOOKS = {"0 weighings, after the room": (2, 0), "3, after drying": (3, 3), "7, after the room": (7, 7)}

# Values of members by name, (members,) each, and the surroundings that each member takes as the true ones.
Numbers = Mapping[str, Array]
Surround = Callable[[Surroundings], Surroundings]
Reached = tuple[Geometry, WindingState]


def is_dryer(air: Surroundings) -> bool:
    """In this trial air moves in the dryer alone."""
    return air.moving_air


class World(NamedTuple):
    """By how much the truth differs from the record.

    rh: true humidity less that of the hygrometer [0..1]. dryer_k: true temperature less the set point. vapour: in the
    dryer's air over that of the room. gab_c: of the isotherm, None for the catalogue's. pores: their fraction.
    """

    rh: float = 0.0
    dryer_k: float = 0.0
    vapour: float = 1.0
    gab_c: float | None = None
    pores: float = 0.3

    def surround(self, air: Surroundings) -> Surroundings:
        """The true air."""
        ends = np.array([air.rh, air.later_rh]) + self.rh
        kelvin = air.temperature_k
        if is_dryer(air):
            kelvin = air.temperature_k + self.dryer_k
            room = heated_rh(air.temperature_k, air.rh, ROOM_K) + self.rh
            ends = np.full(2, self.vapour * float(heated_rh(ROOM_K, room, kelvin)))
        rh, end_rh = np.clip(ends, 0.001, 0.99).tolist()
        return replace(air, temperature_k=kelvin, rh=rh, end_temperature_k=kelvin, end_rh=end_rh)


def draw_world(rng: np.random.Generator) -> World:
    """Everything off at random."""
    gab_c = float(np.exp(rng.uniform(0, np.log(20))))
    return World(rng.normal(0, 0.03), rng.normal(0, 3), rng.uniform(1, 2), gab_c, rng.uniform(0.22, 0.40))


AT_RANDOM = "all at random"
WORLDS = {
    "as recorded": World(),
    "RH + 5 %": World(rh=0.05),
    "RH - 5 %": World(rh=-0.05),
    "dryer 5 K cooler": World(dryer_k=-5.0),
    "dryer air twice as humid": World(vapour=2.0),
    "GAB C = 1": World(gab_c=1.0),
    "GAB C = 20": World(gab_c=20.0),
    AT_RANDOM: World(),
}


@dataclass(frozen=True)
class TruePolymer:
    """Spreads, the isotherm's kind and shape, density, and how it is dried, from the catalogue."""

    spreads: dict[str, Spread | Between]
    isotherm: Isotherm
    density_kg_m3: float
    dry_c: float
    dry_h: float

    def numbers(self, point: Callable[[str], Array]) -> dict[str, Array]:
        """Values of members, or of a single truth, from their points by name."""
        return {name: spread.at(point(name)) for name, spread in self.spreads.items()}


@dataclass(frozen=True)
class SpoolEvent:
    """Airs as recorded, then a weighing, then grams printed; dries: the airs are a dryer's."""

    airs: Sequence[Surroundings]
    printed_kg: float = 0.0
    dries: bool = False


def draw_events(rng: np.random.Generator, polymer: TruePolymer) -> list[SpoolEvent]:
    """Some weeks of a spool: weighed when it comes, after days in the room, around a drying, and so on."""
    room_rh, swing = rng.uniform(0.3, 0.65), rng.uniform(0.02, 0.1)
    dryer_k = polymer.dry_c + ZERO_C
    dryer_rh = float(heated_rh(ROOM_K, room_rh, dryer_k))
    dryer = [Surroundings(polymer.dry_h * 3600, dryer_k, dryer_rh, moving_air=True)]

    def days(count: float) -> list[Surroundings]:
        hours = np.arange(round(count * DAY_H))
        rh = room_rh + swing * np.sin(hours / DAY_H * 2 * np.pi) + 0.01 * rng.standard_normal(len(hours))
        airs = np.clip(rh, 0.05, 0.95).tolist()
        return join([Surroundings(3600, ROOM_K, air_rh) for air_rh in airs])

    events = [SpoolEvent([], rng.uniform(0.02, 0.1))]
    for _ in range(2):
        events.append(SpoolEvent(days(rng.uniform(2, 14)), 0.0))
        events.append(SpoolEvent(dryer, rng.uniform(0.05, 0.15), dries=True))
        events.append(SpoolEvent(days(rng.uniform(2, 14)), rng.uniform(0.02, 0.1)))
    return events


def follow(
    polymer: TruePolymer, numbers: Numbers, surround: Surround, events: Iterable[SpoolEvent]
) -> list[Reached]:
    """The windings at each weighing, each member in the airs that it takes as the true ones."""
    isotherm = replace(polymer.isotherm, w50=numbers["w50_pct"] / 100)
    if isotherm.kind == "gab":
        c = np.maximum(LEAST_GAB_C, numbers["gab_c"])
        isotherm = replace(isotherm, c=c, k=gab_k(c, float(polymer.isotherm.c), float(polymer.isotherm.k)))
    material = Material(
        numbers["d23_m2_s"],
        1000 * numbers["e_d_kj_mol"],
        isotherm,
        pore_share=pore_share(numbers["pore_fraction"]),
    )
    net_kg = NET_KG
    geometry = _geometry(polymer, net_kg)
    start = isotherm.equilibrium(np.minimum(numbers["start_rh"] / 100, 0.98))
    state = uniform(geometry, material, start, ROOM_K)
    reached = []
    for event in events:
        lane = Lane(geometry, material, state, [surround(air) for air in event.airs])
        (result,) = advance([lane], tolerance=FORECAST_TOLERANCE)
        reached.append((geometry, result.state))
        net_kg -= event.printed_kg
        smaller = _geometry(polymer, net_kg)
        state, geometry = resize(result.state, geometry, smaller), smaller
    return reached


def follow_members(polymer: TruePolymer, members: Members, events: Iterable[SpoolEvent]) -> list[Reached]:
    def surround(air: Surroundings) -> Surroundings:
        return spread_air(air, DRYER_ERRORS if is_dryer(air) else ROOM_ERRORS, members)

    return follow(polymer, polymer.numbers(members.point), surround, events)


def follow_truth(
    polymer: TruePolymer,
    world: World,
    rng: np.random.Generator,
    events: Iterable[SpoolEvent],
    shared: Mapping[str, Array] | None = None,
) -> list[Reached]:
    """Its numbers are drawn from the spreads, apart from those of the feedstock (points) and of the world."""
    drawn = polymer.numbers(lambda name: (shared or {}).get(name, rng.standard_normal(1)))
    drawn["pore_fraction"] = np.array([world.pores])
    drawn["gab_c"] = np.array([world.gab_c or float(polymer.isotherm.c)])
    return follow(polymer, drawn, world.surround, events)


def _geometry(polymer: TruePolymer, net_kg: float) -> Geometry:
    density = polymer.density_kg_m3
    return Geometry.from_mass(net_kg, core_radius_m=0.05, width_m=0.06, density_kg_m3=density)


def water_kg(reached: Iterable[Reached]) -> Array:
    """At each weighing, (weighings, members)."""
    return np.array([state.water_kg(geometry) for geometry, state in reached])


LOAD = Load(
    *(NET_KG, NET_KG * NET_SHARE * OF_BAND, CORE_KG, CORE_PLUS_MINUS_KG * OF_BAND), printed_sd=PRINTED_SD
)


def weigh(events: Sequence[SpoolEvent], truth: Iterable[Reached], rng: np.random.Generator) -> Weighings:
    """The readings of the scale."""
    printed = np.cumsum([0.0, *(event.printed_kg for event in events[:-1])])
    gross = (
        rng.normal(NET_KG, LOAD.filament_sd_kg)
        + rng.normal(CORE_KG, LOAD.core_sd_kg)
        - printed * (1 + rng.normal(0, PRINTED_SD))
        + water_kg(truth)[:, 0]
        + rng.normal(0, STEP_KG / 2, len(events))
    )
    # Now and then a little filament is cut off and not recorded; not while it dries.
    loose = np.array([0.0 if event.dries else LOOSE_KG for event in events])
    gross -= np.cumsum(rng.normal(0, loose))
    steps = np.full(len(events), STEP_KG)
    return Weighings(np.round(gross / STEP_KG) * STEP_KG, steps, printed, loose, np.zeros(len(events)))


def assimilate_first(
    polymer: TruePolymer,
    events: Sequence[SpoolEvent],
    weighings: Weighings,
    first: Members,
    predicted: Sequence[Reached],
) -> Members:
    """The members after the weighings of these events. predicted: by the first members."""
    count = len(events)
    known = Weighings(*(getattr(weighings, name)[:count] for name in Weighings.__dataclass_fields__))

    def predict(points: Array) -> Array:
        return water_kg(follow_members(polymer, replace(first, points=points), events))

    water = water_kg(predicted[:count])
    return replace(first, points=assimilate(first.points, water, predict, known, LOAD, "weighings"))


def run_trial(polymer: TruePolymer, worlds: Iterable[str], seed: int) -> Array:
    """One synthetic spool in each world: whether the interval held the truth, and its width in % water.

    Returns (worlds, looks, mean or outer turns, held or width).
    """
    rng = np.random.default_rng(seed)
    events = draw_events(rng, polymer)
    # Other errors of the air in each trial, as of other places.
    first = first_members(tuple(polymer.spreads), MEMBERS).with_columns(DRYER_ERRORS.names)
    predicted = follow_members(polymer, first, events)
    random_world, noise_seed = draw_world(rng), int(rng.integers(1 << 62))
    outcomes = []
    for name in worlds:
        noise = np.random.default_rng(noise_seed)
        world = random_world if name == AT_RANDOM else WORLDS[name]
        truth = follow_truth(polymer, world, noise, events)
        weighings = weigh(events, truth, noise)
        looks = []
        for event_count, weighed in LOOKS.values():
            now = predicted[event_count - 1]
            if weighed:
                members = assimilate_first(polymer, events[:weighed], weighings, first, predicted)
                now = follow_members(polymer, members, events[:event_count])[-1]
            looks.append(_coverage(truth[event_count - 1], now))
        outcomes.append(looks)
    return np.array(outcomes)


SIBLINGS = (0, 1, 5, 20)


def run_feedstock(polymer: TruePolymer, seed: int) -> Array:
    """A new spool whose feedstock was learnt from weighed spools, in a world where all is off at random.

    All stand in one room and dryer, so that their errors are the same. Returns (SIBLINGS, looks, mean or outer turns,
    held or width), each after SIBLINGS weighed spools; the looks are those without a weighing of its own.
    """
    rng = np.random.default_rng(seed)
    world, shared = draw_world(rng), dict(zip(SHARED, rng.standard_normal((len(SHARED), 1)), strict=True))
    names = tuple(polymer.spreads)
    lessons: list[Lesson] = []
    outcomes = []
    for number in range(max(SIBLINGS) + 1):
        events = draw_events(rng, polymer)
        first = first_members(names, MEMBERS).with_columns(DRYER_ERRORS.names)
        truth = follow_truth(polymer, world, rng, events, shared)
        if number in SIBLINGS:
            taught = combine(lessons, len(SHARED)).members(first, SHARED)
            now = follow_members(polymer, taught, events[:3])
            outcomes.append([_coverage(truth[look], now[look]) for look in (0, 1, 2)])
        if number < max(SIBLINGS):
            weighings = weigh(events, truth, rng)
            predicted = follow_members(polymer, first, events)
            members = assimilate_first(polymer, events, weighings, first, predicted)
            lessons.append(lesson_from(members, SHARED))
    return np.array(outcomes)


def _coverage(truth: Reached, now: Reached) -> list[tuple[float, float]]:
    """Whether the interval held the truth, and its width: of the mean, and of the outer turns."""
    found = []
    for mass_kg in (NET_KG, OUTER_KG):
        (true,) = 100 * outermost(truth[1], truth[0], mass_kg)
        low, _, high = interval(100 * outermost(now[1], now[0], mass_kg))
        found.append((float(low <= true <= high), high - low))
    return found


def load_polymer(name: str) -> TruePolymer:
    """A polymer of the reference files by its name. Raises KeyError for an unknown one."""
    from spools.catalogue.importing import GAB_SHAPE, REFERENCE
    from spools.catalogue.sources import read_rows
    from spools.physics_inputs import SEALED

    row = {row["polymer"]: row for row in read_rows(REFERENCE / "polymers.csv")}[name]
    columns = {
        "w50_pct": ("w50_low", "w50_pct", "w50_high"),
        "d23_m2_s": ("d23_low", "d23_m2_s", "d23_high"),
        "e_d_kj_mol": ("e_d_low", "e_d_kj_mol", "e_d_high"),
    }
    spreads: dict[str, Spread | Between] = {
        field: Spread(*(float(row[column]) for column in ends)) for field, ends in columns.items()
    }
    spreads["gab_c"] = Spread(LOW_GAB_C, GAB_SHAPE["gab_c"], HIGH_GAB_C)
    spreads["start_rh"] = Spread(*SEALED)
    spreads["pore_fraction"] = PORE_FRACTION
    shape = {"c": GAB_SHAPE["gab_c"], "k": GAB_SHAPE["gab_k"]} if row["isotherm"] == "gab" else {}
    density_kg_m3 = 1000 * float(row["density_g_cm3"])
    isotherm = Isotherm(row["isotherm"], float(row["w50_pct"]) / 100, density_kg_m3=density_kg_m3, **shape)
    hours = float(row["dry_hours"].split("-")[0])
    return TruePolymer(spreads, isotherm, density_kg_m3, float(row["dry_set_c"]), hours)


def print_table(name: str, spools: int) -> None:
    polymer = load_polymer(name)
    curved = polymer.isotherm.kind == "gab"
    worlds = [world for world, truth in WORLDS.items() if curved or truth.gab_c is None]
    trials = np.array([run_trial(polymer, worlds, seed) for seed in range(spools)])
    held, width = 100 * trials[..., 0].mean(0), np.median(trials[..., 1], axis=0)
    print(f"\n{name}, {spools} spools: interval holds the mean / the outer 50 g, width for the mean\n")
    print(f"| true world | {' | '.join(LOOKS)} | all |\n|---|{'---|' * len(LOOKS)}---|")
    for n, world in enumerate(worlds):
        cells = [
            f"{mean:.0f} / {outer:.0f} %, {width[n, look, 0]:.2f}"
            for look, (mean, outer) in enumerate(held[n])
        ]
        print(f"| {world} | {' | '.join(cells)} | {held[n].mean():.0f} % |", flush=True)


def print_feedstock_table(name: str, feedstocks: int) -> None:
    polymer = load_polymer(name)
    trials = np.array([run_feedstock(polymer, seed) for seed in range(feedstocks)])
    held, width = 100 * trials[..., 0].mean(0), np.median(trials[..., 1], axis=0)
    print(f"\n{name}, a new spool after weighed ones, {feedstocks} feedstocks\n")
    print("| weighed spools | as it came | after the room | after drying |\n|---|---|---|---|")
    for n, siblings in enumerate(SIBLINGS):
        cells = [
            f"{held[n, look, 0]:.0f} / {held[n, look, 1]:.0f} %, {width[n, look, 0]:.2f} / {width[n, look, 1]:.2f}"
            for look in range(3)
        ]
        print(f"| {siblings} | {' | '.join(cells)} |", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(
        description="Measure how often the 80 % intervals hold the true moisture."
    )
    parser.add_argument(
        "--spools", type=int, default=100, help="synthetic spools for each line (default 100)"
    )
    parser.add_argument("--feedstocks", type=int, default=0)
    parser.add_argument("--polymer", action="append", help="a name of polymers.csv; may be repeated")
    options = parser.parse_args()
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    django.setup()
    for name in options.polymer or ["PA6", "PETG", "TPU 95A"]:
        if options.spools:
            print_table(name, options.spools)
        if options.feedstocks:
            print_feedstock_table(name, options.feedstocks)


if __name__ == "__main__":
    main()
