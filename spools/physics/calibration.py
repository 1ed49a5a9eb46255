"""Are the bands honest? Synthetic spools whose truth is known, weighed on a scale, and judged.

For each spool the true numbers are drawn from the same bands that the ensemble is drawn from; it is printed
from, stands about in a room, is dried and is weighed, by a scale that rounds and does not quite repeat
itself. The ensemble knows the bands, the air and the weighings. An 80 % band should hold the truth about
80 % of the time, before any weighing and after each.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from .air import ZERO_C, Array, heated_rh
from .ensemble import Spread, draw, first_points, interval
from .evidence import OF_BAND, PRINTED_SD, Load, Weighings, assimilate
from .geometry import Geometry
from .isotherm import Isotherm
from .state import Material, State, outermost, resize, uniform
from .winding import Lane, Surroundings, advance, join

DAY_H = 24
OUTER_KG = 0.05
CORE_KG, CORE_PLUS_MINUS_KG = 0.25, 0.025
NET_KG, NET_SHARE = 1.0, 0.02
LOOSE_KG = 0.003


@dataclass(frozen=True)
class Polymer:
    """What the catalogue says: bands, the isotherm's kind and shape, density, the drying temperature."""

    bands: dict[str, Spread]
    isotherm: Isotherm
    density_kg_m3: float
    dry_c: float
    dry_h: float


@dataclass(frozen=True)
class Event:
    """Airs, then a weighing, then grams printed; dries: the airs are a dryer's."""

    airs: Sequence[Surroundings]
    printed_kg: float = 0.0
    dries: bool = False


@dataclass(frozen=True)
class Told:
    """Of one spool after so many weighings: for the mean of all and for the outermost turns, whether the
    band held the truth and how wide it was in % by mass."""

    weighings: int
    held: tuple[bool, bool]
    width_pct: tuple[float, float]


def months(rng: np.random.Generator, polymer: Polymer) -> list[Event]:
    """Some weeks of a spool: weighed when it comes, after days in the room, around a drying, and so on."""
    room_rh, swing = rng.uniform(0.3, 0.65), rng.uniform(0.02, 0.1)
    dryer_rh = float(heated_rh(22 + ZERO_C, room_rh, polymer.dry_c + ZERO_C))
    dryer = [Surroundings(polymer.dry_h * 3600, polymer.dry_c + ZERO_C, dryer_rh, True)]

    def days(count: float) -> list[Surroundings]:
        hours = np.arange(round(count * DAY_H))
        rh = room_rh + swing * np.sin(hours / DAY_H * 2 * np.pi) + 0.01 * rng.standard_normal(len(hours))
        return join([Surroundings(3600, 22 + ZERO_C, float(x)) for x in np.clip(rh, 0.05, 0.95)])

    events = [Event([], rng.uniform(0.02, 0.1))]
    for _ in range(2):
        events.append(Event(days(rng.uniform(2, 14)), 0.0))
        events.append(Event(dryer, rng.uniform(0.05, 0.15), dries=True))
        events.append(Event(days(rng.uniform(2, 14)), rng.uniform(0.02, 0.1)))
    return events


def follow(polymer: Polymer, points: Array, events: Sequence[Event]) -> Iterator[tuple[Geometry, State]]:
    """The members' windings at each weighing."""
    drawn = draw(polymer.bands, points)
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


def _geometry(polymer: Polymer, net_kg: float) -> Geometry:
    density = polymer.density_kg_m3
    return Geometry.from_mass(net_kg, core_radius_m=0.05, width_m=0.06, density_kg_m3=density)


def trial(polymer: Polymer, step_kg: float, seed: int) -> list[Told]:
    """One synthetic spool: what its bands said after no weighing, one, two and so on."""
    rng = np.random.default_rng(seed)
    events = months(rng, polymer)
    truth = list(follow(polymer, rng.standard_normal((1, len(polymer.bands))), events))
    printed = np.cumsum([0.0, *(event.printed_kg for event in events[:-1])])
    gross = (
        NET_KG * (1 + rng.normal(0, NET_SHARE * OF_BAND))
        + rng.normal(CORE_KG, CORE_PLUS_MINUS_KG * OF_BAND)
        - printed * (1 + rng.normal(0, PRINTED_SD))
        + np.array([state.water_kg(geometry)[0] for geometry, state in truth])
        + rng.normal(0, step_kg / 2, len(events))
    )
    # Now and then a little filament is cut off and nobody notes it; not while it dries.
    loose = np.array([0.0 if event.dries else LOOSE_KG for event in events])
    gross -= np.cumsum(rng.normal(0, loose))
    if step_kg:
        gross = np.round(gross / step_kg) * step_kg
    load = Load(
        *(NET_KG, NET_KG * NET_SHARE * OF_BAND, CORE_KG, CORE_PLUS_MINUS_KG * OF_BAND), printed_sd=PRINTED_SD
    )
    first = first_points(len(polymer.bands), f"calibration {seed}")
    told = [_told(0, truth[0], next(follow(polymer, first, events)))]
    for n in range(1, len(events) + 1):
        known = events[:n]

        def predict(points: Array, known: Sequence[Event] = known) -> Array:
            return np.array([s.water_kg(g) for g, s in follow(polymer, points, known)])

        seen = Weighings(gross[:n], np.full(n, step_kg), printed[:n], loose[:n], np.zeros(n))
        points = assimilate(first, predict(first), predict, seen, load, f"calibration {seed}")
        *_, now = follow(polymer, points, known)
        told.append(_told(n, truth[n - 1], now))
    return told


def _told(weighings: int, truth: tuple[Geometry, State], now: tuple[Geometry, State]) -> Told:
    held, width = [], []
    for mass_kg in (NET_KG, OUTER_KG):
        (true,) = 100 * outermost(truth[1], truth[0], mass_kg)
        low, _, high = interval(100 * outermost(now[1], now[0], mass_kg))
        held.append(bool(low <= true <= high))
        width.append(high - low)
    return Told(weighings, (held[0], held[1]), (width[0], width[1]))
