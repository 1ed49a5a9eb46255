"""The turns that a job prints: their water, and the wettest stretch among them."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spools.physics.isotherm import Isotherm
from spools.physics.printing import LEAST_REST, print_turns
from spools.physics.winding import Geometry, Lane, Material, Surroundings, advance, outermost, uniform
from tests.spools.physics.strategies import lanes

HOUR = 3600.0
ONE_KG = Geometry.from_mass(1.0, core_radius_m=0.05, width_m=0.06, density_kg_m3=1130)
NYLON = Material(np.array([3e-13, 4e-13, 5e-13]), 44e3, Isotherm("gab", 0.028, 4.6, 0.768))


def spool_after(airs, w0=0.002):
    lane = Lane(ONE_KG, NYLON, uniform(ONE_KG, NYLON, w0, 296.15), airs)
    return advance([lane])[0].state


def job(state, hours, rh, geometry=ONE_KG) -> Lane:
    return Lane(geometry, NYLON, state, [Surroundings(hours * HOUR, 296.15, rh)])


def wettest(printed, window_kg=0.05):
    starts_kg, contents = printed.windows(window_kg)
    return contents.max(0), starts_kg[np.median(contents, 1).argmax()]


WETTED = spool_after([Surroundings(100 * HOUR, 296.15, 0.6)])
# Dried at the rim, wet inside: soaked in a damp room, then some hours in dry warm air.
DRY_RIM = spool_after([Surroundings(2000 * HOUR, 296.15, 0.7), Surroundings(10 * HOUR, 333.15, 0.02)])


@settings(max_examples=10)
@given(lanes(stretches=1), st.floats(0.01, 1.5), st.integers(1, 6))
def test_water_printed_and_left_is_water_that_was_there_and_crossed_the_rim(lane, share, pieces):
    mass_kg = share * lane.geometry.mass_kg
    printed = print_turns(lane, mass_kg, 0.05, pieces)
    before = lane.state.water_kg(lane.geometry)
    after = printed.water_kg + printed.rest.water_kg(printed.geometry)
    scale = before + np.abs(printed.crossed_kg)
    np.testing.assert_allclose(after, before + printed.crossed_kg, atol=1e-9 * scale.max())
    left_kg = lane.geometry.mass_kg - printed.edges_kg[-1]
    assert printed.geometry.mass_kg == pytest.approx(left_kg)
    assert left_kg == pytest.approx(lane.geometry.mass_kg * max(1 - share, LEAST_REST))


@pytest.mark.parametrize("state", [WETTED, DRY_RIM], ids=["wet rim", "dry rim"])
def test_a_job_in_no_time_takes_its_turns_as_they_are(state):
    """As the content of the outermost turns gives it, up to the line within a shell where a job ends."""
    printed = print_turns(job(state, 0, 0.99), 0.3, 0.05, 1)
    assert (printed.crossed_kg == 0).all()
    span = np.ptp(state.profile())
    starts_kg, contents = printed.windows(0.05)
    for start_kg, content in zip(starts_kg, contents, strict=True):
        outside = start_kg * outermost(state, ONE_KG, start_kg) if start_kg else 0.0
        between = ((start_kg + 0.05) * outermost(state, ONE_KG, start_kg + 0.05) - outside) / 0.05
        np.testing.assert_allclose(content, between, atol=0.05 * span)
    quick = print_turns(job(state, 1e-4, 0.99), 0.3, 0.05)
    np.testing.assert_allclose(wettest(quick)[0], wettest(printed)[0], atol=1e-2 * span)


def test_the_windows_of_a_job_cover_it_and_have_its_mean():
    printed = print_turns(job(WETTED, 20, 0.7), 0.22, 0.05)
    starts_kg, contents = printed.windows(0.05)
    assert starts_kg[0] == 0 and starts_kg[-1] == pytest.approx(0.17)
    steps = np.diff(starts_kg)
    assert (steps > 0).all() and steps.max() <= 0.05 / 4 + 1e-12
    for mass_kg in (0.22, 1.0):
        whole_kg, whole = printed.windows(mass_kg)
        assert whole_kg.tolist() == [0.0]
        np.testing.assert_allclose(whole[0] * 0.22, printed.water_kg, rtol=1e-12)
    assert (contents.max(0) >= whole[0]).all() and (contents.min(0) <= whole[0]).all()


def test_turns_of_a_dry_spool_that_are_printed_later_are_wetter():
    """Each lies at the rim until it is printed; in a slow job the last ones are as wet as a rim becomes."""
    dry = uniform(ONE_KG, NYLON, 0.002, 296.15)
    slow, quick = (print_turns(job(dry, hours, 0.7), 0.2, 0.05) for hours in (2000, 4))
    by_piece = np.median(quick.contents, 1).reshape(4, -1).mean(1)
    assert (np.diff(by_piece) > 0).all()
    balance = NYLON.isotherm.equilibrium(0.7)
    content, at_kg = wettest(slow)
    assert at_kg == pytest.approx(0.15)
    np.testing.assert_allclose(content, balance, rtol=0.03)
    assert (wettest(quick)[0] < 0.3 * balance).all()


def test_a_rim_that_was_dried_hides_no_wet_core():
    """Dry enough for 50 g, and wet where a job of 600 g ends, in whatever air it is printed."""
    small, large = (print_turns(job(DRY_RIM, 6, 0.1), mass_kg, 0.05) for mass_kg in (0.05, 0.6))
    (first, _), (content, at_kg) = wettest(small), wettest(large)
    assert (content > 1.3 * first).all()
    assert at_kg == pytest.approx(0.55)
    # The mean of all turns is well below.
    assert (content > 1.1 * large.water_kg / 0.6).all()


def test_turns_that_left_take_up_no_water():
    """The rest of a spool is at the rim for a shorter time than the turns of a spool that lay there unprinted."""
    unprinted = advance([job(WETTED, 30, 0.75)])[0].state
    printed = print_turns(job(WETTED, 30, 0.75), 0.1, 0.05)
    assert (printed.water_kg / 0.1 < outermost(unprinted, ONE_KG, 0.1)).all()
    assert (printed.water_kg / 0.1 > outermost(WETTED, ONE_KG, 0.1)).all()


@pytest.mark.parametrize(("mass_kg", "hours"), [(0.05, 2), (0.05, 20), (0.15, 10), (0.9, 60)])
@pytest.mark.parametrize("rh", [0.1, 0.7])
def test_more_pieces_change_little(mass_kg, hours, rh):
    lane = job(DRY_RIM, hours, rh)
    usual, fine = (wettest(print_turns(lane, mass_kg, 0.05, pieces))[0] for pieces in (None, 48))
    start = wettest(print_turns(replace(lane, surroundings=[Surroundings(0, 296.15, rh)]), mass_kg, 0.05, 1))[
        0
    ]
    # Of what it gains, and of what the air could give.
    np.testing.assert_allclose(usual, fine, atol=0.04 * np.abs(fine - start).max() + 0.005 * 0.028)


def test_members_are_computed_each_for_itself():
    together = print_turns(job(WETTED, 20, 0.7), 0.2, 0.05)
    assert together.contents.shape[1] == 3
    content = wettest(together)[0]
    assert (np.diff(content) > 0).all(), "a quicker filament is wetter"
