"""Are the prediction intervals of the moisture calibrated? Synthetic spools whose truth is known.

    python -m benchmarks.moisture_calibration --spools 120

For each spool the true numbers are drawn from the same spreads that the ensemble is drawn from. It is printed
from, left in a room, dried, and weighed on a scale that rounds and does not quite repeat. The ensemble knows
the spreads, the air and the weighings. An 80 % interval should hold the truth 80 % of the time, before any
weighing and after each. docs/benchmarks.md shows the results. Takes about a second a spool.
"""

import argparse
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import django
import numpy as np

from spools.physics.air import ZERO_C, Array, heated_rh
from spools.physics.ensemble import Spread, draw, first_points, interval
from spools.physics.evidence import OF_BAND, PRINTED_SD, Load, Weighings, assimilate
from spools.physics.geometry import Geometry
from spools.physics.isotherm import Isotherm
from spools.physics.state import Material, WindingState, outermost, resize, uniform
from spools.physics.winding import Lane, Surroundings, advance, join

DAY_H = 24
OUTER_KG = 0.05
CORE_KG, CORE_PLUS_MINUS_KG = 0.25, 0.025
NET_KG, NET_SHARE = 1.0, 0.02
LOOSE_KG = 0.003
SCALES_G = (1.0, 0.1)


@dataclass(frozen=True)
class TruePolymer:
    """Spreads, the isotherm's kind and shape, density, and how it is dried, from the catalogue."""

    spreads: dict[str, Spread]
    isotherm: Isotherm
    density_kg_m3: float
    dry_c: float
    dry_h: float


@dataclass(frozen=True)
class SpoolEvent:
    """Airs, then a weighing, then grams printed; dries: the airs are a dryer's."""

    airs: Sequence[Surroundings]
    printed_kg: float = 0.0
    dries: bool = False


@dataclass(frozen=True)
class Coverage:
    """One spool after a number of weighings: whether the interval held the truth, and its width in % by mass,
    for the mean of the whole winding and for the outermost turns."""

    weighings: int
    held: tuple[bool, bool]
    width_pct: tuple[float, float]


def draw_events(rng: np.random.Generator, polymer: TruePolymer) -> list[SpoolEvent]:
    """Some weeks of a spool: weighed when it comes, after days in the room, around a drying, and so on."""
    room_rh, swing = rng.uniform(0.3, 0.65), rng.uniform(0.02, 0.1)
    dryer_rh = float(heated_rh(22 + ZERO_C, room_rh, polymer.dry_c + ZERO_C))
    dryer = [Surroundings(polymer.dry_h * 3600, polymer.dry_c + ZERO_C, dryer_rh, True)]

    def days(count: float) -> list[Surroundings]:
        hours = np.arange(round(count * DAY_H))
        rh = room_rh + swing * np.sin(hours / DAY_H * 2 * np.pi) + 0.01 * rng.standard_normal(len(hours))
        return join([Surroundings(3600, 22 + ZERO_C, float(x)) for x in np.clip(rh, 0.05, 0.95)])

    events = [SpoolEvent([], rng.uniform(0.02, 0.1))]
    for _ in range(2):
        events.append(SpoolEvent(days(rng.uniform(2, 14)), 0.0))
        events.append(SpoolEvent(dryer, rng.uniform(0.05, 0.15), dries=True))
        events.append(SpoolEvent(days(rng.uniform(2, 14)), rng.uniform(0.02, 0.1)))
    return events


def follow(
    polymer: TruePolymer, points: Array, events: Sequence[SpoolEvent]
) -> Iterator[tuple[Geometry, WindingState]]:
    """The members' windings at each weighing."""
    drawn = draw(polymer.spreads, points)
    isotherm = replace(polymer.isotherm, w50=drawn["w50_pct"] / 100)
    material = Material(drawn["d23_m2_s"], 1000 * drawn["e_d_kj_mol"], isotherm)
    net_kg = NET_KG
    geometry = _geometry(polymer, net_kg)
    start = isotherm.equilibrium(np.minimum(drawn["start_rh"] / 100, 0.98))
    state = uniform(geometry, material, start, 22 + ZERO_C)
    for event in events:
        (outcome,) = advance([Lane(geometry, material, state, event.airs)])
        yield geometry, outcome.state
        net_kg -= event.printed_kg
        smaller = _geometry(polymer, net_kg)
        state, geometry = resize(outcome.state, geometry, smaller), smaller


def _geometry(polymer: TruePolymer, net_kg: float) -> Geometry:
    density = polymer.density_kg_m3
    return Geometry.from_mass(net_kg, core_radius_m=0.05, width_m=0.06, density_kg_m3=density)


def run_trial(polymer: TruePolymer, step_kg: float, seed: int) -> list[Coverage]:
    """One synthetic spool: the coverage of its intervals after no weighing, one, two and so on."""
    rng = np.random.default_rng(seed)
    events = draw_events(rng, polymer)
    truth = list(follow(polymer, rng.standard_normal((1, len(polymer.spreads))), events))
    printed = np.cumsum([0.0, *(event.printed_kg for event in events[:-1])])
    gross = (
        NET_KG * (1 + rng.normal(0, NET_SHARE * OF_BAND))
        + rng.normal(CORE_KG, CORE_PLUS_MINUS_KG * OF_BAND)
        - printed * (1 + rng.normal(0, PRINTED_SD))
        + np.array([state.water_kg(geometry)[0] for geometry, state in truth])
        + rng.normal(0, step_kg / 2, len(events))
    )
    # Now and then a little filament is cut off and not recorded; not while it dries.
    loose = np.array([0.0 if event.dries else LOOSE_KG for event in events])
    gross -= np.cumsum(rng.normal(0, loose))
    if step_kg:
        gross = np.round(gross / step_kg) * step_kg
    load = Load(
        *(NET_KG, NET_KG * NET_SHARE * OF_BAND, CORE_KG, CORE_PLUS_MINUS_KG * OF_BAND), printed_sd=PRINTED_SD
    )
    first = first_points(len(polymer.spreads), f"calibration {seed}")
    coverages = [_coverage(0, truth[0], next(follow(polymer, first, events)))]
    for n in range(1, len(events) + 1):
        past_events = events[:n]

        def predict(points: Array, past_events: Sequence[SpoolEvent] = past_events) -> Array:
            return np.array([s.water_kg(g) for g, s in follow(polymer, points, past_events)])

        weighings = Weighings(gross[:n], np.full(n, step_kg), printed[:n], loose[:n], np.zeros(n))
        points = assimilate(first, predict(first), predict, weighings, load, f"calibration {seed}")
        *_, now = follow(polymer, points, past_events)
        coverages.append(_coverage(n, truth[n - 1], now))
    return coverages


def _coverage(
    weighings: int, truth: tuple[Geometry, WindingState], now: tuple[Geometry, WindingState]
) -> Coverage:
    held, width = [], []
    for mass_kg in (NET_KG, OUTER_KG):
        (true,) = 100 * outermost(truth[1], truth[0], mass_kg)
        low, _, high = interval(100 * outermost(now[1], now[0], mass_kg))
        held.append(bool(low <= true <= high))
        width.append(high - low)
    return Coverage(weighings, (held[0], held[1]), (width[0], width[1]))


def load_polymer(name: str) -> TruePolymer:
    """A polymer of the reference files by its name. Raises KeyError for an unknown one."""
    from spools.catalogue.importing import GAB_SHAPE, REFERENCE
    from spools.catalogue.sources import read_rows
    from spools.physics_inputs import SEALED

    row = {row["polymer"]: row for row in read_rows(REFERENCE / "polymers.csv")}[name]
    spreads = {
        field: Spread(*(float(row[column]) for column in columns))
        for field, columns in {
            "w50_pct": ("w50_low", "w50_pct", "w50_high"),
            "d23_m2_s": ("d23_low", "d23_m2_s", "d23_high"),
            "e_d_kj_mol": ("e_d_low", "e_d_kj_mol", "e_d_high"),
        }.items()
    }
    shape = {"c": GAB_SHAPE["gab_c"], "k": GAB_SHAPE["gab_k"]} if row["isotherm"] == "gab" else {}
    density_kg_m3 = 1000 * float(row["density_g_cm3"])
    isotherm = Isotherm(row["isotherm"], float(row["w50_pct"]) / 100, density_kg_m3=density_kg_m3, **shape)
    hours = float(row["dry_hours"].split("-")[0])
    spreads["start_rh"] = Spread(*SEALED)
    return TruePolymer(spreads, isotherm, density_kg_m3, float(row["dry_set_c"]), hours)


def print_table(name: str, step_g: float, spools: int) -> None:
    polymer = load_polymer(name)
    trials = [run_trial(polymer, step_g / 1000, seed) for seed in range(spools)]
    print(f"\n{name}, a scale with steps of {step_g:g} g, {spools} spools\n")
    print("| weighings | interval holds the mean | the outer 50 g | width, mean | outer 50 g |")
    print("|---|---|---|---|---|")
    for coverages in zip(*trials, strict=True):
        held = 100 * np.mean([coverage.held for coverage in coverages], axis=0)
        width = np.median([coverage.width_pct for coverage in coverages], axis=0)
        print(
            f"| {coverages[0].weighings} | {held[0]:.0f} % | {held[1]:.0f} % "
            f"| {width[0]:.3f} % water | {width[1]:.3f} % |"
        )
    after = [coverage.held for coverages in trials for coverage in coverages if coverage.weighings]
    print(f"All after a weighing: {100 * np.mean(after):.1f} %.")


def main() -> None:
    parser = argparse.ArgumentParser(
        description="Measure how often the 80 % intervals hold the true moisture."
    )
    parser.add_argument(
        "--spools", type=int, default=100, help="synthetic spools for each line (default 100)"
    )
    parser.add_argument("--polymer", action="append", help="a name of polymers.csv; may be repeated")
    options = parser.parse_args()
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    django.setup()
    for name in options.polymer or ["PA6", "PETG"]:
        for step_g in SCALES_G:
            print_table(name, step_g, options.spools)


if __name__ == "__main__":
    main()
