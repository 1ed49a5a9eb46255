"""Spool-hours per second of the winding. Run with: pytest benchmarks -n 0 --benchmark-enable

Days of readings every 15 minutes in a room whose air swings, as a shop has it.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from spools.physics.isotherm import Isotherm
from spools.physics.winding import Geometry, Lane, Material, Surroundings, advance, join, uniform

MEMBERS = 32
PER_HOUR = 4


def lanes(spools: int, members: int, hours: int, kind: str = "gab") -> list[Lane]:
    rng = np.random.default_rng(7)
    at = np.arange(hours * PER_HOUR) / PER_HOUR / 24 * 2 * np.pi
    batch = []
    for _ in range(spools):
        isotherm = Isotherm(kind, 0.028 * np.exp(0.15 * rng.standard_normal(members)), 4.6, 0.768)
        material = Material(4e-13 * np.exp(0.5 * rng.standard_normal(members)), 44e3, isotherm)
        geometry = Geometry(0.05, 0.06 + 0.035 * rng.random(), 0.06, 0.3, 0.875e-3, 1130)
        rh = 0.45 + 0.1 * np.sin(at) + 0.02 * rng.standard_normal(len(at))
        kelvin = 295 + 2 * np.sin(at)
        air = [Surroundings(3600 / PER_HOUR, float(t), float(h)) for t, h in zip(kelvin, rh, strict=True)]
        batch.append(Lane(geometry, material, uniform(geometry, material, 0.01, 295.0), air))
    return batch


def as_the_shop_does(lane: Lane) -> Lane:
    """Hourly means of the readings, joined within each quarter of a day (spools/moisture/history.py)."""
    airs = []
    quarter = 6 * PER_HOUR
    for start in range(0, len(lane.surroundings), quarter):
        airs += join(hourly(lane.surroundings[start : start + quarter]))
    return replace(lane, surroundings=airs)


def hourly(airs: Sequence[Surroundings]) -> list[Surroundings]:
    hours = [airs[start : start + PER_HOUR] for start in range(0, len(airs), PER_HOUR)]
    return [
        Surroundings(3600, np.mean([a.temperature_k for a in hour]), np.mean([a.rh for a in hour]))
        for hour in hours
    ]


@pytest.mark.parametrize("members", [1, 100, 1_000, 10_000])
def test_spool_member_hours(benchmark, members):
    """Ten days of a room, its heat included. The error against every reading as it is, with fine steps,
    is told beside the speed: of any shell and member, as a share of the way to equilibrium."""
    hours = 240
    raw = lanes(max(1, members // MEMBERS), min(members, MEMBERS), hours)
    batch = [as_the_shop_does(lane) for lane in raw]
    rounds = 3 if members <= 1_000 else 1
    outcomes = benchmark.pedantic(advance, args=(batch,), rounds=rounds, warmup_rounds=1)
    assert len(outcomes) == len(batch)
    if benchmark.stats is not None:
        computed = len(batch) * min(members, MEMBERS) * hours
        benchmark.extra_info["spool_member_hours_per_s"] = round(computed / benchmark.stats.stats.min)
        exact = advance(raw[:4], tolerance=1e-4)
        off = [
            np.abs(outcome.state.profile() - fine.state.profile()).max(1)
            / np.abs(lane.material.isotherm.equilibrium(0.5) - 0.01)
            for lane, outcome, fine in zip(raw, outcomes, exact, strict=False)
        ]
        benchmark.extra_info["largest_error_pct"] = round(100 * float(np.max(off)), 2)


def test_one_spool_after_a_scan(benchmark):
    """From a state that may be 12 h old to now, in hourly air."""
    (lane,) = lanes(1, MEMBERS, 12)
    airs = hourly(lane.surroundings)
    (outcome,) = benchmark(lambda: advance([replace(lane, surroundings=join(airs))]))
    assert outcome.state.contents.shape[-1] == MEMBERS
