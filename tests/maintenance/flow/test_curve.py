from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from maintenance.flow.curve import (
    LIMITS,
    CheckRefused,
    CheckSetup,
    FlowCurve,
    RateMasses,
    Usable,
    advise_setup,
    measure,
    require_fine_scale,
    require_possible_masses,
)
from maintenance.flow.diagnosis import CLOG, EASIER, GEARS, MELT, NO_FAULT, STEPS, diagnose
from maintenance.flow.gcode import blobs_in_order, commands, feed_mm_min, minutes_of
from spools.statements import Statement

SETUP = CheckSetup(400, 1.75, 0.02, 1.24, 0.001)
RATES = (1.0, 4.0, 8.0, 12.0, 16.0)
USUAL = (0, 0.02, 0.05, 0.08, 0.12)
WOBBLE = (-1, 0, 1)


def check(
    losses=USUAL, *, short: float = 0.0, scatter=0.002, rates=RATES, setup: CheckSetup = SETUP
) -> FlowCurve:
    """A check with these losses; scatter: of the three blobs of each rate, as a share of the mass."""
    scatters = scatter if isinstance(scatter, tuple) else (scatter,) * len(rates)
    slow_g = setup.commanded_g * (1 - short)
    return measure(
        setup,
        [
            RateMasses(rate, tuple(slow_g * (1 - loss) * (1 + share * n) for n in WOBBLE))
            for rate, loss, share in zip(rates, losses, scatters, strict=True)
        ],
    )


# Loss and its uncertainty


def test_without_repeats_some_scatter_is_assumed():
    single = measure(SETUP, [RateMasses(rate, (1.1,)) for rate in RATES])
    assert np.isnan(single.scatter_g).all()
    assert single.loss_u[1] > 0.005


@pytest.mark.parametrize(
    ("low", "setting"), [(5.19, 5.1), (5.0999999, 5.0), (5.1, 5.1), (0.05, 0.1), (None, 12.0)]
)
def test_the_flow_to_set_is_the_low_end_of_its_range_rounded_down(low, setting):
    assert Usable(0.05, 12.0, low, 6.0, 7.0).setting_mm3_s == setting


def test_a_diameter_that_is_off_changes_no_loss_but_what_the_reference_lacks():
    thick = replace(SETUP, diameter_mm=1.77)
    masses = [
        RateMasses(rate, (SETUP.commanded_g * (1 - loss),)) for rate, loss in zip(RATES, USUAL, strict=True)
    ]
    item, other = measure(SETUP, masses), measure(thick, masses)
    assert item.losses == pytest.approx(other.losses) and item.loss_u == pytest.approx(other.loss_u)
    assert other.short > item.short and other.short < 2 * other.short_u


def test_a_flow_that_was_not_reached_is_unknown():
    usable = check((0, 0.01, 0.02, 0.03, 0.04)).usable(0.05)
    assert usable.likely_mm3_s is None and usable.high_mm3_s is None
    assert usable.tested_mm3_s == 16


losses_drawn = st.lists(st.floats(0, 0.9), min_size=3, max_size=8)


@given(losses_drawn, st.sampled_from([0.001, 0.005]), st.floats(0, 0.05))
@settings(max_examples=60)
def test_curve_and_usable_flow_are_ordered_bands(losses, resolution_g, scatter):
    rates = tuple(float(1 + 2 * n) for n in range(len(losses)))
    losses = [0, *losses[1:]]
    curve = check(
        losses, scatter=scatter, rates=rates, setup=replace(SETUP, resolution_g=resolution_g), short=0.06
    )
    for fitted in (curve.fitted_low, curve.fitted, curve.fitted_high):
        assert fitted[0] == 0 and (np.diff(fitted) >= 0).all() and fitted[-1] <= 1
    assert (curve.fitted_low <= curve.fitted).all() and (curve.fitted <= curve.fitted_high).all()
    at_5, at_10 = (curve.usable(loss) for loss in LIMITS)
    for usable in (at_5, at_10):
        known = [usable.low_mm3_s, usable.likely_mm3_s, usable.high_mm3_s]
        numbers = [flow for flow in known if flow is not None]
        assert known[: len(numbers)] == numbers == sorted(numbers)
        assert all(rates[0] <= flow <= rates[-1] for flow in numbers)
    if at_10.likely_mm3_s is not None:
        assert at_5.likely_mm3_s <= at_10.likely_mm3_s


@given(st.permutations([0.60, 0.601, 0.605]), st.sampled_from([0.01, 0.005, 0.002, 0.001]))
@settings(max_examples=30)
def test_the_order_of_repeats_is_nothing_and_a_finer_scale_is_never_worse(masses, resolution_g):
    coarse = replace(SETUP, length_mm=200, resolution_g=0.01)
    weighed = [RateMasses(1, tuple(masses)), RateMasses(3, (0.57, 0.571)), RateMasses(5, (0.55,))]
    item = measure(coarse, [RateMasses(1, (0.60, 0.601, 0.605)), *weighed[1:]])
    other = measure(replace(coarse, resolution_g=resolution_g), weighed)
    assert other.losses == pytest.approx(item.losses)
    assert (other.loss_u <= item.loss_u + 1e-12).all()


# Impossible checks


BLOBS = [RateMasses(1, (0.60, 0.60)), RateMasses(3, (0.57,)), RateMasses(5, (0.55,)), RateMasses(10, (0.51,))]
FINE = replace(SETUP, length_mm=200)
REFUSED = {
    "heavier than commanded": (
        [RateMasses(1, (0.60,)), RateMasses(3, (0.70,)), RateMasses(5, (0.5,))],
        "mass_too_heavy",
    ),
    "a reference of nothing": ([RateMasses(1, (0, 0)), *BLOBS[1:]], "reference_weighs_nothing"),
    "out of order": ([BLOBS[0], BLOBS[2], BLOBS[1]], "rates_not_rising"),
    "twice the same rate": ([BLOBS[0], BLOBS[1], BLOBS[1]], "rate_twice"),
    "too few rates": (BLOBS[:2], "rate_count"),
    "a rate of nothing": ([RateMasses(0, (0.6,)), *BLOBS[1:]], "rate_out_of_range"),
    "a rate that is no number": ([*BLOBS[:3], RateMasses(float("nan"), (0.5,))], "rate_out_of_range"),
    "a mass that is no number": ([*BLOBS[:3], RateMasses(10, (float("nan"),))], "mass_out_of_range"),
    "a mass without end": ([*BLOBS[:3], RateMasses(10, (float("inf"),))], "mass_out_of_range"),
    "less than nothing": ([*BLOBS[:3], RateMasses(10, (-0.1,))], "mass_out_of_range"),
    "a rate without blobs": ([*BLOBS[:3], RateMasses(10, ())], "blob_count"),
}


@pytest.mark.parametrize("what", REFUSED)
def test_impossible_masses_are_refused(what):
    weighed, code = REFUSED[what]
    with pytest.raises(CheckRefused) as refused:
        require_possible_masses(FINE, weighed)
    assert refused.value.code == code


def test_a_blob_is_refused_only_beyond_tolerance_and_scale():
    assert FINE.commanded_g < 0.62 < FINE.heaviest_g < 0.63
    require_possible_masses(FINE, [RateMasses(1, (0.62,)), *BLOBS[1:]])
    with pytest.raises(CheckRefused) as refused:
        require_possible_masses(FINE, [RateMasses(1, (0.63,)), *BLOBS[1:]])
    assert refused.value.code == "mass_too_heavy"


def test_nothing_at_all_at_a_high_rate_is_a_loss_of_everything():
    stalled = [*BLOBS[:3], RateMasses(10, (0.0,))]
    require_possible_masses(FINE, stalled)
    curve = measure(FINE, stalled)
    assert curve.losses[-1] == 1 and curve.fitted[-1] == 1


def test_a_coarse_scale_is_refused_before_the_start_with_the_length_that_would_do():
    kitchen = replace(FINE, resolution_g=0.1)
    with pytest.raises(CheckRefused) as refused:
        require_fine_scale(kitchen)
    assert (refused.value.field, refused.value.code) == ("resolution_g", "scale_too_coarse")
    assert "780 mm" in str(refused.value) and "1940 mm" in str(refused.value)
    with pytest.raises(CheckRefused) as refused:
        require_fine_scale(replace(FINE, resolution_g=1))
    assert refused.value.code == "scale_too_coarse_for_any_length"
    enough = replace(kitchen, length_mm=780)
    require_fine_scale(enough)
    longer = advise_setup(enough)
    assert (longer.code, longer.values["length_mm"]) == ("flow.longer_blobs", 1940)
    assert advise_setup(replace(kitchen, length_mm=1940)) is None is advise_setup(FINE)


# The likely reading


def test_a_gradual_loss_is_no_fault():
    for baseline in (None, check()):
        reading = diagnose(check(), baseline)
        assert reading.reason == Statement("flow.usual_loss", {"has_baseline": baseline is not None})
        assert (reading.cause, reading.remedy) == (NO_FAULT, None)
    flat = diagnose(check((0, 0, 0.005, 0.005, 0.01)))
    assert flat.reason == Statement("flow.no_loss", {"tested_mm3_s": 16})


def test_steeper_than_the_baseline_from_moderate_flow_on_is_the_gears():
    reading = diagnose(check((0, 0.03, 0.09, 0.15, 0.22)), check())
    assert reading.cause == GEARS
    loss = {"flow_mm3_s": 16, "loss_pct": pytest.approx(22), "baseline_loss_pct": pytest.approx(12)}
    assert reading.reason == Statement("flow.gears_slip", loss)


def test_loss_even_when_slow_is_a_clog():
    clogged = check((0, 0.04, 0.10, 0.17, 0.25), short=0.08)
    assert diagnose(clogged, check()).cause == CLOG
    assert diagnose(clogged).cause == CLOG


def test_flat_then_a_knee_with_scatter_is_the_melts_limit():
    knee = check((0, 0.004, 0.006, 0.01, 0.16), scatter=(0.002, 0.002, 0.002, 0.002, 0.03))
    reading = diagnose(knee)
    assert reading.cause == MELT
    assert reading.reason.values["knee_mm3_s"] == 12 and reading.reason.values["scatter_ratio"] > 2
    early = check((0, 0.004, 0.006, 0.2, 0.35), scatter=(0.002, 0.002, 0.002, 0.02, 0.03))
    assert diagnose(early, check((0, 0, 0, 0, 0.05))).cause == MELT


def test_the_same_shortage_at_every_flow_is_a_wrong_diameter_or_wrong_steps():
    flat = check((0, 0.002, 0.001, 0.004, 0.003), short=0.07)
    assert diagnose(flat).cause == STEPS
    assert diagnose(flat, check()).cause == STEPS
    assert diagnose(flat).reason.values["short_pct"] == pytest.approx(7, abs=0.05)


def test_less_loss_than_the_baseline_is_no_gain():
    assert diagnose(check((0, 0.005, 0.02, 0.03, 0.05)), check()).cause == EASIER


def test_a_change_within_the_uncertainty_is_none():
    coarse = replace(SETUP, resolution_g=0.02)
    before, now = (check(losses, setup=coarse) for losses in (USUAL, (0, 0.03, 0.06, 0.09, 0.13)))
    assert diagnose(now, before).cause == NO_FAULT


def test_rates_that_the_baseline_did_not_have_are_not_compared():
    slow = check((0, 0.01, 0.02), rates=(1.0, 1.5, 2.0))
    assert diagnose(check((0, 0.02, 0.05), rates=(2.0, 4.0, 8.0)), slow).cause == NO_FAULT


# The blobs and their lines


def test_blobs_come_in_rounds_with_the_reference_before_and_after():
    assert blobs_in_order([1, 3, 5], 2) == [1, 3, 5, 1, 3, 5, 1]


@given(st.lists(st.floats(0.5, 30), min_size=3, max_size=6), st.integers(1, 3), st.floats(60, 700))
@settings(max_examples=40)
def test_the_lines_feed_what_was_asked_at_its_speed_and_stop_after_each_blob(rates, repeats, length_mm):
    setup = replace(SETUP, length_mm=round(length_mm, 1))
    blobs = blobs_in_order(rates, repeats)
    lines = [line.split(";")[0].split() for line in commands(blobs, setup)]
    lines = [line for line in lines if line]
    assert {line[0] for line in lines} == {"M83", "G92", "G1", "M0"}
    feeds = [(float(line[1][1:]), float(line[2][1:])) for line in lines if line[0] == "G1"]
    assert sum(mm for mm, _ in feeds) == pytest.approx(setup.length_mm * len(blobs), abs=0.01)
    assert [line[0] for line in lines].count("M0") == len(blobs)
    assert sum(mm / speed for mm, speed in feeds) == pytest.approx(minutes_of(blobs, setup), rel=0.005)
    assert feeds[0][1] == pytest.approx(feed_mm_min(blobs[0], setup), abs=0.05)
