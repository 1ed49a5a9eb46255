"""Random weeks for the trial: shops of 2 to 20 print requests, 3 to 40 spools and 1 to 5 dryers.

Drying times, cooler set points, heat budgets and the hours a dried spool stays good are of the size that the
physics gives for the catalogue's polymers. They are invented for this trial and serve no other purpose.
"""

import math
from dataclasses import dataclass
from random import Random

from spools.drying.week.model import Mode, Option, Request, SettledDrying, SpoolSupply, Week

SLOTS_H = 4
PARTS_H = (0, 6, 12, 24, 48, 96)
HORIZON_H = 168
AFTER_LAST_H = 72


@dataclass(frozen=True)
class _Material:
    """set_point_c: its usual one. hours: the range of drying times. keeps_h: how long it stays good."""

    set_point_c: int
    hours: tuple[float, float]
    keeps_h: tuple[float, float]
    smell: str = ""
    heat_limited: bool = False


MATERIALS = (
    _Material(50, (4, 12), (60, 400)),
    _Material(65, (5, 14), (30, 240)),
    _Material(80, (4, 10), (48, 400), smell="styrene"),
    _Material(60, (6, 20), (6, 60)),
    _Material(80, (12, 48), (2, 24), heat_limited=True),
    _Material(90, (8, 20), (8, 60)),
)


def random_week(seed: int) -> Week:
    """One week; equal seeds give equal weeks."""
    draw = Random(seed)
    capacity = {dryer: draw.choice((1, 1, 2, 2, 4)) for dryer in range(draw.randint(1, 5))}
    hottest_c = {dryer: draw.choice((65, 70, 90, 90, 120)) for dryer in capacity}
    materials = {
        spool: draw.choice(MATERIALS[: draw.randint(1, len(MATERIALS))])
        for spool in range(draw.randint(3, 40))
    }
    requests = _requests(draw, materials)
    slots = max(request.due for request in requests) + AFTER_LAST_H * SLOTS_H
    parts = tuple(hours * SLOTS_H for hours in PARTS_H if hours * SLOTS_H < slots)
    running = {dryer for dryer in capacity if draw.random() < 0.2}
    supplies = []
    for spool, material in materials.items():
        mass_g = draw.randint(80, 1000)
        free = sorted(dryer for dryer in running if hottest_c[dryer] >= material.set_point_c)
        if free and draw.random() < 0.3:
            running.discard(free[0])
            supplies.append(SpoolSupply(spool, mass_g, -1, (), _running(draw, material, free[0], slots)))
            continue
        good_until = -1 if draw.random() < 0.6 else draw.choice((draw.randrange(slots), slots))
        options = () if good_until == slots else _options(draw, material, hottest_c, len(parts), slots)
        supplies.append(SpoolSupply(spool, mass_g, good_until, options))
    requests = tuple(
        Request(
            request.key,
            tuple(spool for spool in request.spools if supplies[spool].mass_g >= request.mass_g),
            request.mass_g,
            request.due,
            request.weight,
            request.prints,
        )
        for request in requests
    )
    return Week(slots, parts, _staffed(draw, slots), capacity, tuple(supplies), requests)


def _requests(draw: Random, materials: dict[int, _Material]) -> list[Request]:
    """Prints from one spool, or from any spool of a material."""
    requests = []
    # Some shops want everything within two days, others over the week.
    busiest_h = draw.choice((24, 48, 96, HORIZON_H))
    for key in range(draw.randint(2, 20)):
        spool = draw.choice(list(materials))
        spools = [spool]
        if draw.random() < 0.6:
            spools = [candidate for candidate, material in materials.items() if material is materials[spool]]
        mass_g = draw.choice((draw.randint(10, 150), draw.randint(50, 600)))
        due = draw.randint(2 * SLOTS_H, busiest_h * SLOTS_H)
        weight = 4 if draw.random() < 0.2 else 1
        requests.append(Request(key, tuple(spools), mass_g, due, weight, math.ceil(mass_g / 15 * SLOTS_H)))
    return requests


def _options(
    draw: Random, material: _Material, hottest_c: dict[int, int], parts: int, slots: int
) -> tuple[Option, ...]:
    """The usual set point and up to three cooler ones in every dryer that is hot enough."""
    wetness, growth = draw.uniform(0, 1), draw.choice((0.0, draw.uniform(0, 0.15)))
    keeps_h = draw.uniform(*material.keeps_h)
    options = []
    for dryer, limit_c in hottest_c.items():
        for cooler_k in range(0, draw.choice((5, 10, 20)), 5):
            celsius = material.set_point_c - cooler_k
            if celsius > limit_c:
                continue
            least_h, most_h = material.hours
            hours = (least_h + wetness * (most_h - least_h)) * 1.6 ** (cooler_k / 5)
            takes = [math.ceil(hours * (1 + growth * part) * SLOTS_H) for part in range(parts)]
            longest = math.floor(draw.uniform(0.8, 2.5) * takes[0]) if material.heat_limited else slots
            sufficient = tuple(slots_ if slots_ <= 96 * SLOTS_H else None for slots_ in takes)
            if sufficient[0] is not None and sufficient[0] <= longest:
                mode = Mode(float(celsius), material.smell)
                options.append(Option(dryer, mode, sufficient, longest, math.floor(keeps_h * SLOTS_H)))
    return tuple(options)


def _running(draw: Random, material: _Material, dryer: int, slots: int) -> SettledDrying:
    """A run that goes on; some may be extended, and some do not get their spool dry."""
    end = draw.randint(1, 16 * SLOTS_H)
    latest = min(slots, end + draw.choice((0, 8 * SLOTS_H, slots)))
    good_for = None if draw.random() < 0.2 else math.floor(draw.uniform(*material.keeps_h) * SLOTS_H)
    return SettledDrying(dryer, Mode(float(material.set_point_c), material.smell), 0, end, latest, good_for)


def _staffed(draw: Random, slots: int) -> tuple[tuple[int, int], ...]:
    """The slots of each day in which somebody is there; the plan begins at any hour."""
    opens_h, closes_h = draw.choice(((7, 22), (8, 17), (0, 24), (9, 13)))
    offset = draw.randrange(24 * SLOTS_H)
    days = range(-1, slots // (24 * SLOTS_H) + 2)
    spans = (
        (day * 24 * SLOTS_H + opens_h * SLOTS_H - offset, day * 24 * SLOTS_H + closes_h * SLOTS_H - offset)
        for day in days
    )
    if (opens_h, closes_h) == (0, 24):
        return ((0, slots),)
    return tuple((max(0, first), min(slots, last)) for first, last in spans if last >= 0 and first <= slots)
