"""Following a spool until its limits are decided gives the same as following it to the end."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from spools.physics import drying
from spools.physics.winding import Lane, Surroundings, advance, outermost, watch
from tests.spools.physics import strategies

LOOKS_H = (1, 2, 4, 8, 12, 24, 48, 96, 168, 336, 720, 1440)
SHARE = 0.4


@given(
    strategies.lanes(stretches=2), strategies.lanes(stretches=1), st.floats(0.05, 1.2), st.floats(0.05, 1.2)
)
def test_it_stops_only_when_both_limits_are_decided(before, other, low, high):
    (dried,) = advance([before])
    air = other.surroundings[0]
    middle = float(np.median(before.material.isotherm.equilibrium(0.5)))
    limits, mass_kg = [low * middle, high * middle], 0.05
    lane = Lane(before.geometry, before.material, dried.state, [air])
    (contents,) = watch(lane, [3600 * hours for hours in LOOKS_H], mass_kg, limits, SHARE, [2])
    assert 3 <= len(contents) <= 1 + len(LOOKS_H)
    np.testing.assert_allclose(contents[0], outermost(dried.state, before.geometry, mass_kg), rtol=1e-12)
    whole = drying.hours_until([lane], [limits], [mass_kg], LOOKS_H, share=SHARE, below=False)
    for limit, expected in zip(limits, whole[0], strict=True):
        found = drying.crossing(contents, np.array([0.0, *LOOKS_H]), limit, SHARE, False)
        assert found == (expected if expected is None else pytest.approx(expected, rel=1e-9))


@given(strategies.lanes(stretches=1))
def test_each_air_is_taken_from_the_same_start(lane):
    dry, damp = Surroundings(1.0, 295, 0.05), Surroundings(1.0, 295, 0.8)
    both = watch(
        Lane(lane.geometry, lane.material, lane.state, [damp, dry]), [7200.0], 0.05, [1.0], SHARE, [1, 1]
    )
    (alone,) = watch(Lane(lane.geometry, lane.material, lane.state, [dry]), [7200.0], 0.05, [1.0], SHARE, [1])
    np.testing.assert_array_equal(both[1], alone)
