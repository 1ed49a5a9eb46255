"""Flow checks and control charts against fixtures/reference/checks.md and wear_values.csv."""

import numpy as np
import pytest

from maintenance.flow.control_chart import cusum, ewma, ewma_limits
from maintenance.flow.curve import CheckSetup, RateMasses, measure
from maintenance.flow.gcode import feed_mm_min

PLA = CheckSetup(200, 1.75, 0.05, 1.24, 0.01)


def test_the_gravimetric_table():
    # A public flow-test log of 27 May 2021: 200 mm of PLA, +-2 points.
    table = {1: 0.60, 3: 0.57, 5: 0.55, 10: 0.51}
    curve = measure(PLA, [RateMasses(flow, (mass,)) for flow, mass in table.items()])
    assert 100 * curve.losses == pytest.approx([0, 5.0, 8.3, 15.0], abs=0.05)
    assert 2 * 100 * curve.loss_u[1:] == pytest.approx([2, 2, 2], abs=0.5)
    assert curve.usable(0.05).likely_mm3_s == pytest.approx(3, abs=0.05)


def test_the_commanded_mass():
    assert CheckSetup(100, 1.75, 0.05, 1.24, 0.01).commanded_g == pytest.approx(0.2983, abs=0.00005)
    assert PLA.commanded_g == pytest.approx(0.5965, abs=0.0001)
    # +-0.02 mm is +-2.3 % of the mass, +-0.05 mm 5.7 % (derived there).
    for tolerance_mm, share in [(0.02, 0.023), (0.05, 0.057)]:
        thicker = CheckSetup(200, 1.75 + tolerance_mm, 0, 1.24, 0.01)
        assert thicker.commanded_g / PLA.commanded_g - 1 == pytest.approx(share, abs=0.001)


@pytest.mark.parametrize(
    ("length_mm", "resolution_g", "u_pct"),
    [
        (200, 0.01, 0.97),
        (200, 0.001, 0.10),
        (400, 0.01, 0.48),
        (400, 0.001, 0.05),
        (1000, 0.01, 0.19),
        (1000, 0.001, 0.02),
        (1000, 0.1, 1.9),
    ],
)
def test_the_uncertainty_that_a_scale_brings(length_mm, resolution_g, u_pct):
    # wear_values.csv, derived: gross and tare each read once, equal masses.
    setup = CheckSetup(length_mm, 1.75, 0.05, 1.24, resolution_g)
    assert 100 * setup.loss_u == pytest.approx(u_pct, rel=0.06)


def test_the_speed_of_the_filament():
    # 1 mm3/s through pi 1.75^2 / 4 = 2.405 mm2.
    assert feed_mm_min(1, PLA) == pytest.approx(24.95, abs=0.01)


# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3: 20 means of samples of 4.
NIST_CUSUM = [324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600]
NIST_CUSUM += [324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350]
NIST_HIGH = [0, 0, 0, 0, 0.03, 0, 0, 0, 0, 0, 0, 0, 3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04]
NIST_LOW = [0, 0.01, 0, 0.33, 0, 0, 0.56, 0.72, 0.17, 0.25, 0.31, 0, 0, 0, 0, 0, 0, 0, 0, 0]


def test_the_handbooks_cusum():
    high, low = cusum(NIST_CUSUM, target=325, slack=0.3175)
    assert high == pytest.approx(NIST_HIGH, abs=0.00501)
    assert low == pytest.approx(NIST_LOW, abs=0.00501)
    assert list(np.flatnonzero((high > 4.1959) | (low > 4.1959)) + 1) == list(range(14, 21))


# The same, 6.3.2.4.
NIST_EWMA = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5]
NIST_EWMA += [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
NIST_AVERAGES = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33]
NIST_AVERAGES += [50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99]


def test_the_handbooks_ewma():
    low, high = ewma_limits(50, 2.0539)
    # The handbook truncates the lower limit.
    assert (low, high) == pytest.approx((47.4115, 52.5884), abs=0.0001)
    averages = ewma(NIST_EWMA, start=50)
    assert averages == pytest.approx(NIST_AVERAGES, abs=0.00501)
    assert not ((averages < low) | (averages > high)).any()
