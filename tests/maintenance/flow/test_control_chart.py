import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from maintenance.flow.control_chart import START, control_chart, cusum, ewma, reached_after

losses = st.lists(st.floats(-0.1, 1), min_size=START + 1, max_size=12)


def test_the_chart_begins_after_its_start():
    assert control_chart([0.05] * START, [0.01] * START) is None
    chart = control_chart([0.05] * (START + 1), [0.01] * (START + 1))
    assert chart.target == pytest.approx(0.05) and list(chart.signal) == [0]


def test_a_slow_rise_is_signalled_before_one_value_stands_out():
    values = [0.05, 0.05, 0.05, *(0.05 + 0.006 * n for n in range(1, 9))]
    chart = control_chart(values, [0.01] * len(values))
    first = int(np.flatnonzero(chart.signal)[0])
    assert chart.signal[first] == 1
    assert chart.values[first] < chart.target + 3 * chart.sigma
    assert chart.onset == 0


def test_a_fall_differs_from_a_rise():
    chart = control_chart([0.08] * 3 + [0.02] * 4, [0.005] * 7)
    assert chart.signal[-1] == -1


def test_an_unsteady_start_widens_the_limits():
    steady = control_chart([0.05, 0.05, 0.05, 0.05], [0.005] * 4)
    unsteady = control_chart([0.03, 0.05, 0.07, 0.05], [0.005] * 4)
    assert unsteady.sigma > 3 * steady.sigma


def test_false_signals_are_rare():
    # 400 histories of 12 checks each in which nothing changes: about one in sixteen signals by chance.
    random = np.random.default_rng(7)
    histories = [control_chart(list(random.normal(0.05, 0.01, 12)), [0.01] * 12) for _ in range(400)]
    assert 0 < np.mean([bool(chart.signal.any()) for chart in histories]) < 0.12


@given(losses)
@settings(max_examples=50)
def test_sums_are_never_negative_and_averages_stay_among_the_values(values):
    high, low = cusum(values, values[0], 0.01)
    assert (high >= 0).all() and (low >= 0).all()
    averages = ewma(values, values[0])
    assert averages.min() >= min(values) - 1e-12 and averages.max() <= max(values) + 1e-12


@given(losses, st.floats(-5, 5))
@settings(max_examples=50)
def test_a_chart_moves_with_its_values(values, shift):
    there = control_chart(values, [0.02] * len(values))
    moved = control_chart([value + shift for value in values], [0.02] * len(values))
    assert moved.target == pytest.approx(there.target + shift)
    assert moved.cusum_high == pytest.approx(there.cusum_high, abs=1e-9)
    assert moved.ewma - moved.target == pytest.approx(there.ewma - there.target, abs=1e-9)


def test_when_a_limit_is_reached():
    assert reached_after([0, 10, 20], [0.05, 0.06, 0.07], 0.10) == pytest.approx(50)
    assert reached_after([0, 10, 20], [0.07, 0.06, 0.05], 0.10) is None
