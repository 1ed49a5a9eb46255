"""Properties of every winding, whatever is drawn."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spools.physics.filament import WEIGHTS
from spools.physics.isotherm import Isotherm
from spools.physics.winding import (
    Geometry,
    Lane,
    Material,
    Surroundings,
    WindingState,
    advance,
    outermost,
    resize,
    uniform,
)
from tests.spools.physics.strategies import geometries, lanes

# Errors are allowed as shares of the distance from equilibrium (stepping.TOLERANCE).
STEP_ERROR = 0.01


def span(lane: Lane) -> np.ndarray:
    """How far apart the equilibria are that a lane has seen, for each member."""
    start = lane.state.profile()[:, 0]
    seen = [start, *(lane.material.isotherm.equilibrium(s.rh) for s in lane.surroundings)]
    return np.maximum(np.ptp(seen, axis=0), 0.3 * lane.material.isotherm.w50)


@settings(max_examples=15)
@given(lanes(), st.booleans())
def test_water_gained_is_water_that_crossed_the_rim(lane, heat):
    (outcome,) = advance([lane], heat=heat)
    gained = outcome.state.water_kg(lane.geometry) - lane.state.water_kg(lane.geometry)
    np.testing.assert_array_equal(outcome.gained_kg, gained)
    scale = np.abs(outcome.crossed_kg) + lane.state.water_kg(lane.geometry)
    assert (np.abs(outcome.gained_kg - outcome.crossed_kg) <= 1e-9 * scale + 1e-18).all()


@settings(max_examples=15)
@given(lanes())
def test_contents_stay_between_the_extremes_of_the_past(lane):
    (outcome,) = advance([lane], heat=False, record=True)
    start = lane.state.profile()[:, 0]
    seen = np.array([start, *(lane.material.isotherm.equilibrium(s.rh) for s in lane.surroundings)])
    slack = STEP_ERROR * span(lane)
    assert (outcome.profiles >= (seen.min(0) - slack)[None, :, None]).all()
    assert (outcome.profiles <= (seen.max(0) + slack)[None, :, None]).all()


@settings(max_examples=15)
@given(lanes(stretches=1), st.floats(0.01, 0.1))
def test_more_humid_air_makes_no_spool_drier(lane, more):
    (air,) = lane.surroundings
    humid = replace(lane, surroundings=[replace(air, rh=air.rh + more)])
    drier, wetter = advance([lane, humid], heat=False)
    slack = STEP_ERROR * span(humid)[:, None]
    assert (wetter.state.profile() >= drier.state.profile() - slack).all()


@settings(max_examples=15)
@given(lanes(stretches=1))
def test_towards_equilibrium_more_time_goes_further(lane):
    (air,) = lane.surroundings
    (outcome,) = advance([replace(lane, surroundings=[air] * 4)], heat=False, record=True)
    rising = lane.material.isotherm.equilibrium(air.rh) > lane.state.profile()[:, 0]
    steps = np.diff(outcome.profiles, axis=0) * np.where(rising, 1, -1)[None, :, None]
    assert (steps >= -STEP_ERROR * span(lane)[None, :, None]).all()


@settings(max_examples=15)
@given(lanes(stretches=2), st.floats(0.01, 0.99))
def test_splitting_a_stay_changes_no_more_than_the_step_error(lane, share):
    parts = []
    for air in lane.surroundings:
        parts += [
            replace(air, duration_s=air.duration_s * share),
            replace(air, duration_s=air.duration_s * (1 - share)),
        ]
    whole, split = advance([lane, replace(lane, surroundings=parts)])
    off = np.abs(whole.state.profile() - split.state.profile()).max(1)
    # Both have an error of their own.
    assert (off <= 2 * STEP_ERROR * span(lane)).all()


def test_a_rim_wet_with_dew_may_meet_dry_air():
    geometry = Geometry(0.0625, 0.064, 0.0625, 0.5, 0.000875, 900)
    isotherm = Isotherm("henry", np.array([0.0025, 0.00012]))
    material = Material(np.array([3.8e-11, 1.4e-11]), 25_000, isotherm, 0.13, 1500)
    airs = [Surroundings(148.4, 330, 0.5), Surroundings(148.4, 278, 0)]
    start = uniform(geometry, material, 0, 278)
    wet, dried = advance([Lane(geometry, material, start, airs[:count]) for count in (1, 2)])
    assert (dried.state.mean(geometry) < wet.state.mean(geometry)).all()


@settings(max_examples=15)
@given(lanes(stretches=3), st.booleans())
def test_going_on_is_the_same_as_not_having_stopped_to_the_bit(lane, heat):
    (whole,) = advance([lane], heat=heat)
    state = lane.state
    for air in lane.surroundings:
        (part,) = advance([replace(lane, state=state, surroundings=[air])], heat=heat)
        state = WindingState.from_bytes(part.state.to_bytes())
    assert state.to_bytes() == whole.state.to_bytes()


@settings(max_examples=8)
@given(st.lists(lanes(stretches=3), min_size=2, max_size=6), st.booleans(), st.randoms())
def test_a_result_does_not_depend_on_the_batch_to_the_bit(batch, heat, random):
    alone = [advance([lane], heat=heat)[0].state.to_bytes() for lane in batch]
    together = [outcome.state.to_bytes() for outcome in advance(batch, heat=heat)]
    assert together == alone
    order = list(range(len(batch)))
    random.shuffle(order)
    shuffled = advance([batch[n] for n in order], heat=heat)
    assert [shuffled[order.index(n)].state.to_bytes() for n in range(len(batch))] == alone


@settings(max_examples=8)
@given(lanes(stretches=3), st.booleans())
def test_members_with_equal_air_are_computed_as_if_they_shared_it_to_the_bit(lane, heat):
    shared = [
        replace(air, temperature_k=float(np.max(air.temperature_k)), rh=float(np.max(air.rh)))
        for air in lane.surroundings
    ]
    each = [
        replace(air, temperature_k=np.full(2, air.temperature_k), rh=np.full(2, air.rh)) for air in shared
    ]
    one, other = advance(
        [replace(lane, surroundings=shared), replace(lane, surroundings=each)], heat=heat, record=True
    )
    assert one.state.to_bytes() == other.state.to_bytes()
    np.testing.assert_array_equal(one.profiles, other.profiles)
    np.testing.assert_array_equal(*np.broadcast_arrays(one.temperatures, other.temperatures))


@settings(max_examples=15)
@given(lanes(stretches=3), st.booleans())
def test_each_member_follows_its_own_air(lane, heat):
    (together,) = advance([lane], heat=heat, record=True)
    for m in range(2):
        airs = [
            replace(
                air,
                temperature_k=float(np.broadcast_to(air.temperature_k, 2)[m]),
                rh=float(np.broadcast_to(air.rh, 2)[m]),
            )
            for air in lane.surroundings
        ]
        (alone,) = advance([replace(lane, surroundings=airs)], heat=heat, record=True)
        off = np.abs(together.profiles[:, m] - alone.profiles[:, m]).max()
        # Both have an error of their own.
        assert off <= 2 * STEP_ERROR * span(lane)[m]
        kelvin = together.temperatures[..., min(m, together.temperatures.shape[-1] - 1)]
        np.testing.assert_allclose(kelvin, alone.temperatures[..., 0], atol=1.0)


def test_temperatures_of_members_are_one_again_some_time_after_their_air_is():
    geometry = Geometry(0.05, 0.095, 0.06, 0.3, 0.875e-3, 1130)
    material = Material(np.array([4e-13, 5e-13]), 44e3, Isotherm("henry", 0.028))
    hot = Surroundings(8 * 3600, np.array([340.0, 350.0]), np.array([0.03, 0.02]), moving_air=True)
    room = [Surroundings(3600, 295.0, 0.5)] * 48
    lane = Lane(geometry, material, uniform(geometry, material, 0.02, 293.15), [hot])
    (dried,) = advance([lane])
    assert dried.state.temperature_k.shape[1] == 2
    np.testing.assert_allclose(dried.state.temperature_k[-1], [340, 350], atol=2)
    (rested,) = advance([replace(lane, state=dried.state, surroundings=room)], record=True)
    assert rested.state.temperature_k.shape[1] == 1
    apart = np.ptp(rested.temperatures, axis=2).max(1)
    assert apart[0] > 1
    assert apart[-1] == 0
    np.testing.assert_allclose(rested.state.temperature_k, 295, atol=0.1)


def test_smaller_steps_converge_at_second_order():
    geometry = Geometry(0.05, 0.095, 0.06, 0.3, 0.875e-3, 1130)
    material = Material(4e-13, 44e3, Isotherm("gab", 0.028, 4.6, 0.768))
    air = [Surroundings(48 * 3600, 296.15, 0.5), Surroundings(10 * 3600, 353.15, 0.029)]
    lane = Lane(geometry, material, uniform(geometry, material, 0.002, 296.15), air)
    exact = advance([lane], heat=False, tolerance=1e-6)[0].state.profile()
    off = [
        np.abs(advance([lane], heat=False, tolerance=tolerance)[0].state.profile() - exact).max()
        for tolerance in (1e-2, 1e-3, 1e-4)
    ]
    assert off[0] < 2e-4
    assert off[2] < off[1] < off[0]
    assert off[2] < 0.1 * off[0]


def test_a_dry_spool_with_a_bent_isotherm_takes_steps_short_enough_for_it():
    geometry = Geometry(0.0625, 0.065, 0.0625, 0.5, 0.875e-3, 900)
    material = Material(4e-11, 25e3, Isotherm("gab", 0.05, 9, 0.75))
    lane = Lane(geometry, material, uniform(geometry, material, 0, 278.0), [Surroundings(150, 278.0, 0.5)])
    usual, fine = (advance([lane], tolerance=t)[0].state.profile() for t in (0.01, 1e-4))
    np.testing.assert_allclose(usual, fine, atol=0.002 * 0.05)


def test_refining_the_shells_converges(monkeypatch):
    means = []
    for shells in (5, 10, 20, 40):
        monkeypatch.setattr("spools.physics.geometry.SHELLS", shells)
        # A material keeps the arrays of a geometry.
        material = Material(4e-13, 44e3, Isotherm("henry", 0.028))
        geometry = Geometry(0.05, 0.095, 0.06, 0.3, 0.875e-3, 1130)
        air = [Surroundings(48 * 3600, 296.15, 0.5)]
        lane = Lane(geometry, material, uniform(geometry, material, 0.002, 296.15), air)
        means.append(advance([lane], tolerance=1e-4)[0].state.mean(geometry)[0])
    steps = np.abs(np.diff(means))
    assert steps[1] < 0.6 * steps[0]
    assert steps[2] < 0.6 * steps[1]
    assert abs(means[1] - means[3]) < 0.003 * 0.026


@settings(max_examples=15)
@given(lanes(), st.floats(0.02, 0.999))
def test_taking_turns_from_the_rim_keeps_the_water_of_the_rest(lane, left):
    (outcome,) = advance([lane])
    old, state = lane.geometry, outcome.state
    new = Geometry.from_mass(
        left * old.mass_kg,
        core_radius_m=old.core_radius_m,
        width_m=old.width_m,
        density_kg_m3=old.density_kg_m3,
        filament_radius_m=old.filament_radius_m,
        pore_fraction=old.pore_fraction,
    )
    smaller = resize(state, old, new)
    before, after = state.contents, smaller.contents
    slack = 1e-12 * np.abs(before).max()
    assert (after >= before.min(0, keepdims=True) - slack).all()
    assert (after <= before.max(0, keepdims=True) + slack).all()
    # Whole shells that stay whole pin the water down; the shell that is cut holds what its neighbours allow.
    masses = old.shell_masses()
    cut = np.concatenate([[0], np.cumsum(masses)])
    inner = np.searchsorted(cut, new.mass_kg, side="right") - 1
    whole = (state.profile()[:, :inner] * masses[:inner]).sum(1)
    rest = new.mass_kg - cut[inner]
    near = before[max(inner - 1, 0) : inner + 2]
    water = smaller.water_kg(new)
    slack *= old.mass_kg
    assert (water >= whole + rest * WEIGHTS @ near.min(0) - slack).all()
    assert (water <= whole + rest * WEIGHTS @ near.max(0) + slack).all()


@given(geometries, geometries)
def test_remapping_a_uniform_spool_leaves_it_uniform(old, new):
    material = Material(4e-13, 44e3, Isotherm("henry", 0.028))
    state = resize(uniform(old, material, 0.01, 300.0), old, new)
    np.testing.assert_allclose(state.contents, 0.01, rtol=1e-11)
    np.testing.assert_allclose(state.temperature_k, 300.0, rtol=1e-11)


def test_remapping_to_the_same_mass_and_back_is_exact_in_total():
    geometry = Geometry(0.05, 0.095, 0.06, 0.3, 0.875e-3, 1130)
    looser = Geometry.from_mass(geometry.mass_kg, core_radius_m=0.05, width_m=0.05, density_kg_m3=1130)
    material = Material(4e-13, 44e3, Isotherm("henry", 0.028))
    lane = Lane(
        geometry,
        material,
        uniform(geometry, material, 0.002, 296.15),
        [Surroundings(86400, 296.15, 0.5)],
    )
    (outcome,) = advance([lane])
    moved = resize(outcome.state, geometry, looser)
    assert moved.water_kg(looser) == pytest.approx(outcome.state.water_kg(geometry), rel=1e-12)


def test_added_turns_are_like_the_outermost_ones():
    small = Geometry(0.05, 0.07, 0.06, 0.3, 0.875e-3, 1130)
    large = Geometry(0.05, 0.08, 0.06, 0.3, 0.875e-3, 1130)
    material = Material(4e-13, 44e3, Isotherm("henry", 0.028))
    lane = Lane(small, material, uniform(small, material, 0.002, 296.15), [Surroundings(86400, 296.15, 0.5)])
    (outcome,) = advance([lane])
    grown = resize(outcome.state, small, large)
    added = large.mass_kg - small.mass_kg
    gained = grown.water_kg(large) - outcome.state.water_kg(small)
    assert gained == pytest.approx(added * outcome.state.outer(), rel=1e-9)


def test_outermost_turns():
    geometry = Geometry(0.05, 0.095, 0.06, 0.3, 0.875e-3, 1130)
    material = Material(4e-13, 44e3, Isotherm("henry", 0.028))
    lane = Lane(
        geometry,
        material,
        uniform(geometry, material, 0.002, 296.15),
        [Surroundings(86400, 296.15, 0.5)],
    )
    state = advance([lane])[0].state
    masses = geometry.shell_masses()
    assert outermost(state, geometry, masses[-1] / 2) == pytest.approx(state.outer())
    two = (state.profile()[:, -2:] * masses[-2:]).sum(1) / masses[-2:].sum()
    assert outermost(state, geometry, masses[-2:].sum()) == pytest.approx(two)
    whole = state.water_kg(geometry) / geometry.mass_kg
    assert outermost(state, geometry, 99.0) == pytest.approx(whole)
    assert state.mean(geometry) == pytest.approx(whole)


def test_mass_and_radius_belong_together():
    geometry = Geometry.from_mass(1.0, core_radius_m=0.05, width_m=0.06, density_kg_m3=1130)
    assert geometry.mass_kg == pytest.approx(1.0, rel=1e-12)
    # m = rho (1 - eps) pi (Ro² - Rc²) W
    by_hand = 1130 * 0.7 * np.pi * (geometry.outer_radius_m**2 - 0.05**2) * 0.06
    assert by_hand == pytest.approx(1.0, rel=1e-12)


def test_a_spool_in_moved_air_warms_sooner():
    geometry = Geometry(0.05, 0.095, 0.06, 0.3, 0.875e-3, 1130)
    material = Material(4e-13, 44e3, Isotherm("gab", 0.028, 4.6, 0.768))
    start = uniform(geometry, material, 0.02, 293.15)
    still, moved = (
        advance([Lane(geometry, material, start, [Surroundings(2 * 3600, 353.15, 0.03, fan)])])[0]
        for fan in (False, True)
    )
    assert (moved.state.temperature_k > still.state.temperature_k).all()
    assert 293.15 < still.state.temperature_k[0, 0] < still.state.temperature_k[-1, 0] < 353.15
    # Warm from outside over hours: less has left than if it were hot at once.
    (at_once,) = advance(
        [Lane(geometry, material, start, [Surroundings(2 * 3600, 353.15, 0.03)])], heat=False
    )
    assert at_once.gained_kg < moved.gained_kg < still.gained_kg < 0


@pytest.mark.parametrize("kind", ["henry", "gab", "flory-huggins"])
def test_a_cold_spool_in_hot_damp_air_gets_no_wetter_than_dew_makes_it(kind):
    geometry = Geometry(0.02, 0.021, 0.02, 0.33, 0.875e-3, 1500)
    material = Material(1.7e-12, 38e3, Isotherm(kind, 0.02, 6.7, 0.65))
    start = uniform(geometry, material, 0.02, 308.0)
    air = Surroundings(600, 363.0, 0.78, moving_air=True)
    (outcome,) = advance([Lane(geometry, material, start, [air])])
    assert (outcome.state.contents <= 1.1 * material.isotherm.equilibrium(1.0)).all()
    assert outcome.crossed_kg == pytest.approx(outcome.gained_kg, rel=1e-9)


def test_no_lanes_and_no_time():
    geometry = Geometry(0.05, 0.095, 0.06, 0.3, 0.875e-3, 1130)
    material = Material(4e-13, 44e3, Isotherm("henry", 0.028))
    state = uniform(geometry, material, 0.02, 293.15)
    assert advance([]) == []
    (nothing,) = advance([Lane(geometry, material, state, [])])
    assert nothing.state.to_bytes() == state.to_bytes()
    (moment,) = advance([Lane(geometry, material, state, [Surroundings(0, 353.15, 0.1)])])
    np.testing.assert_allclose(moment.state.contents, state.contents, rtol=1e-14)


@pytest.mark.parametrize(
    ("values", "names"),
    [
        ((-1, 293.15, 0.5), "duration"),
        ((float("inf"), 293.15, 0.5), "duration"),
        ((60, 23, 0.5), "temperature"),
        ((60, 293.15, 50), "humidity"),
        ((60, 293.15, float("nan")), "humidity"),
    ],
)
def test_impossible_surroundings_are_refused(values, names):
    with pytest.raises(ValueError, match=names):
        Surroundings(*values)


@pytest.mark.parametrize(
    ("damage", "says"),
    [(lambda b: b[:10], "no stored"), (lambda b: b[:-8], "damaged"), (lambda b: b"X" + b[1:], "another")],
)
def test_a_stored_state_that_is_damaged_is_refused(damage, says):
    geometry = Geometry(0.05, 0.095, 0.06, 0.3, 0.875e-3, 1130)
    material = Material(4e-13, 44e3, Isotherm("henry", 0.028))
    data = uniform(geometry, material, 0.02, 293.15).to_bytes()
    with pytest.raises(ValueError, match=says):
        WindingState.from_bytes(damage(data))
