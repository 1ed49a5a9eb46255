"""Following a spool until its limits are decided gives the same as following it to the end."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from spools.physics import drying
from spools.physics.state import outermost_mean
from spools.physics.winding import Lane, Surroundings, advance, advance_until_decided, outermost
from tests.spools.physics import strategies

PROBE_HOURS = (1, 2, 4, 8, 12, 24, 48, 96, 168, 336, 720, 1440)
SHARE = 0.4
HOURS = np.array([0.0, *PROBE_HOURS])


@given(
    strategies.lanes(stretches=2), strategies.lanes(stretches=1), st.floats(0.05, 1.2), st.floats(0.05, 1.2)
)
def test_it_stops_only_when_both_limits_are_decided(before, other, low, high):
    (dried,) = advance([before])
    air = other.surroundings[0]
    middle = float(np.median(before.material.isotherm.equilibrium(0.5)))
    limits, mass_kg = [low * middle, high * middle], 0.05
    lane = Lane(before.geometry, before.material, dried.state, [air])
    (contents,) = advance_until_decided(
        lane, [3600 * hours for hours in PROBE_HOURS], mass_kg, limits, SHARE, [2]
    )
    assert 3 <= len(contents) <= 1 + len(PROBE_HOURS)
    np.testing.assert_allclose(contents[0], outermost(dried.state, before.geometry, mass_kg), rtol=1e-12)
    # Followed to the end with the same steps.
    (whole,) = advance_until_decided(
        lane, [3600 * hours for hours in PROBE_HOURS], mass_kg, limits, SHARE, [len(PROBE_HOURS)]
    )
    for limit in limits:
        expected = drying.crossing(whole, HOURS, limit, SHARE, False)
        assert drying.crossing(contents, HOURS, limit, SHARE, False) == expected


@given(strategies.lanes(stretches=1), st.floats(0.05, 1.2))
def test_it_is_the_same_forecast_as_that_of_a_drying(lane, part):
    limit = part * float(np.median(lane.material.isotherm.equilibrium(0.5)))
    (contents,) = advance_until_decided(
        lane, [3600 * hours for hours in PROBE_HOURS], 0.05, [limit], SHARE, [12]
    )
    (ahead,) = advance([_lasting(lane)], record=True)
    for n in range(len(PROBE_HOURS)):
        expected = outermost_mean(ahead.profiles[n], lane.geometry, 0.05)
        way = np.abs(contents[0] - lane.material.isotherm.equilibrium(lane.surroundings[0].rh))
        assert (np.abs(contents[n + 1] - expected) <= 0.05 * way + 1e-5).all()


def _lasting(lane: Lane) -> Lane:
    (air,) = lane.surroundings
    spans = np.diff(HOURS) * 3600
    airs = [Surroundings(s, air.temperature_k, air.rh, air.moving_air) for s in spans.tolist()]
    return Lane(lane.geometry, lane.material, lane.state, airs)


@given(strategies.lanes(stretches=1))
def test_each_air_is_taken_from_the_same_start(lane):
    dry, damp = Surroundings(1.0, 295, 0.05), Surroundings(1.0, 295, 0.8)
    both = advance_until_decided(
        Lane(lane.geometry, lane.material, lane.state, [damp, dry]), [7200.0], 0.05, [1.0], SHARE, [1, 1]
    )
    (alone,) = advance_until_decided(
        Lane(lane.geometry, lane.material, lane.state, [dry]), [7200.0], 0.05, [1.0], SHARE, [1]
    )
    np.testing.assert_array_equal(both[1], alone)
