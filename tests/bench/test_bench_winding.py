"""Spool-hours per second of the winding. Run with: pytest tests/bench -n 0 --benchmark-enable

Days of readings every 15 minutes in a room whose air swings, as a shop has it; one stretch per reading.
"""

import numpy as np
import pytest

from spools.physics.isotherm import Isotherm
from spools.physics.winding import Geometry, Lane, Material, Surroundings, advance, uniform

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


@pytest.mark.parametrize("members", [1, 100, 1_000, 10_000])
def test_spool_member_hours(benchmark, members):
    hours = 6
    batch = lanes(max(1, members // MEMBERS), min(members, MEMBERS), hours)
    outcomes = benchmark.pedantic(advance, args=(batch,), kwargs={"heat": False}, rounds=3, warmup_rounds=1)
    assert len(outcomes) == len(batch)
    if benchmark.stats is not None:
        computed = len(batch) * min(members, MEMBERS) * hours
        benchmark.extra_info["spool_member_hours_per_s"] = round(computed / benchmark.stats.stats.min)


def test_one_spool_after_a_scan(benchmark):
    """From the last midnight's state to now: half a day of hourly air."""
    (lane,) = lanes(1, MEMBERS, 12)
    hourly = [Surroundings(3600, a.temperature_k, a.rh) for a in lane.surroundings[::PER_HOUR]]
    lane = Lane(lane.geometry, lane.material, lane.state, hourly)
    (outcome,) = benchmark(advance, [lane])
    assert outcome.state.contents.shape[0] == MEMBERS
