"""Steady levels, jumps and drift of a simulated scale."""

from datetime import UTC, datetime, timedelta

import pytest

from maintenance.scales.prints import PULL_G
from maintenance.scales.signal import (
    Allowed,
    Jump,
    Minute,
    find_jumps,
    find_level,
    find_noise_band,
    measure_drift,
)
from tests.maintenance.scales.simulated import SimulatedScale

START = datetime(2026, 3, 2, 8, tzinfo=UTC)
HOUR, MINUTE = timedelta(hours=1), timedelta(minutes=1)


def jumps_of(scale: SimulatedScale, until: datetime) -> list[Jump]:
    (begins, ends, mass_g), *_ = scale.prints
    minutes = scale.minutes(START, until)
    band_g = find_noise_band([minute for minute in minutes if minute.at < begins], scale.step_g)
    flow_g_min = 3 * mass_g / ((ends - begins) / MINUTE)
    return find_jumps(minutes, Allowed(band_g, 0.2, begins, PULL_G, flow_g_min))


@pytest.mark.parametrize(("mass_g", "hours"), [(5, 0.5), (20, 1), (60, 3), (200, 8)])
@pytest.mark.parametrize(("step_g", "noise_g"), [(1.0, 0.3), (0.1, 0.1), (2.0, 1.5)])
def test_the_grams_of_a_print_are_right_within_the_scales_step_and_its_drift(mass_g, hours, step_g, noise_g):
    for seed in range(5):
        begins = START + 2 * HOUR
        ends = begins + hours * HOUR
        scale = SimulatedScale(
            START, step_g=step_g, noise_g=noise_g, seed=seed, prints=[(begins, ends, mass_g)]
        )
        before = find_level(scale.minutes(begins - 30 * MINUTE, begins), step_g, newest=True)
        after = find_level(scale.minutes(ends + MINUTE, ends + 40 * MINUTE), step_g)
        drift_g = (scale.creep_g_day + 6.3 * scale.warmth_g) / 24 * (hours + 0.4)
        assert abs(before.mass_g - after.mass_g - mass_g) <= step_g + drift_g, (before, after)
        assert jumps_of(scale, ends + 30 * MINUTE) == []


def test_a_knock_a_lift_and_drift_are_no_jump_and_another_spool_is_one():
    begins = START + 3 * HOUR
    scale = SimulatedScale(START, prints=[(begins, begins + 4 * HOUR, 80)])
    scale.lifts = [(begins + HOUR, begins + 1.2 * HOUR), (START + HOUR, START + 1.1 * HOUR)]
    assert jumps_of(scale, START + 9 * HOUR) == []
    scale.steps = [(begins + 1.1 * HOUR, -150)]
    assert abs(sum(jump.change_g for jump in jumps_of(scale, START + 9 * HOUR)) + 150) < 10
    scale.steps = [(START + 2 * HOUR, 40)]
    (jump,) = jumps_of(scale, START + 9 * HOUR)
    assert abs(jump.change_g - 40) < 5
    scale.steps = [(begins - MINUTE, -40)]
    (jump,) = jumps_of(scale, START + 9 * HOUR)
    assert abs(jump.change_g + 40) < 10, "just before the print"


def test_nothing_is_steady_while_the_mass_falls():
    scale = SimulatedScale(START, prints=[(START - HOUR, START + 2 * HOUR, 150)], pull_g=0)
    assert find_level(scale.minutes(START, START + HOUR), 1.0) is None


def test_drift_is_measured_over_an_hour_at_least():
    scale = SimulatedScale(START, creep_g_day=12, warmth_g=0, step_g=0.1, noise_g=0.05)
    assert measure_drift(scale.minutes(START, START + 8 * HOUR), 0.1) == pytest.approx(0.5, rel=0.05)
    assert measure_drift(scale.minutes(START, START + 0.9 * HOUR), 0.1) is None
    assert measure_drift([], 0.1) is None


def test_the_noise_band_follows_the_scatter_and_is_never_below_the_step():
    assert find_noise_band([], 2) == 2
    assert find_noise_band([Minute(START, [500, 500, 500])], 0.5) == 0.5
    noisy = SimulatedScale(START, noise_g=2, step_g=0.1)
    assert 6 < find_noise_band(noisy.minutes(START, START + HOUR), 0.1) < 10
