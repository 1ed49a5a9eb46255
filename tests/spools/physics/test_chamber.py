"""A dryer's chamber: more spools or less air never dry quicker, and endless air is the room's."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from spools.physics.air import ZERO_C, heated_rh
from spools.physics.chamber import Chamber
from spools.physics.drying import hours_until
from spools.physics.isotherm import Isotherm
from spools.physics.surroundings import Surroundings, join
from spools.physics.winding import Geometry, Lane, Material, advance, uniform

GEOMETRY = Geometry.from_mass(1.0, core_radius_m=0.05, width_m=0.06, density_kg_m3=1130)
NYLON = Material(4e-13, 44e3, Isotherm("gab", 0.028, 4.6, 0.768))
PLA = Material(1e-11, 40e3, Isotherm("henry", 0.003))
ROOM_K = 295.15


def lane(material, celsius, chamber, hours=6.0):
    rh = float(heated_rh(ROOM_K, 0.45, celsius + ZERO_C))
    start = uniform(GEOMETRY, material, float(material.isotherm.equilibrium(0.5)), ROOM_K)
    air = Surroundings(3600 * hours, celsius + ZERO_C, rh, True, chamber=chamber)
    return Lane(GEOMETRY, material, start, [air])


def flowing(l_min, spools=1):
    return Chamber(l_min, l_min, l_min, spools)


@given(
    material=st.sampled_from([NYLON, PLA]),
    celsius=st.floats(40, 80),
    l_min=st.floats(0.05, 50),
    less=st.floats(0.1, 1),
    spools=st.integers(1, 6),
)
def test_more_spools_or_less_air_never_dry_quicker(material, celsius, l_min, less, spools):
    chambers = [None, flowing(l_min), flowing(l_min * less), flowing(l_min * less, spools)]
    left = [
        result.state.water_kg(GEOMETRY)[0]
        for result in advance([lane(material, celsius, c) for c in chambers])
    ]
    assert all(after >= before - 1e-7 for before, after in pairwise(left))


def test_endless_air_is_the_rooms():
    known, endless = advance([lane(NYLON, 75, None), lane(NYLON, 75, flowing(1e15))])
    np.testing.assert_allclose(endless.state.contents, known.state.contents, rtol=1e-9)


@pytest.mark.parametrize(
    ("material", "celsius", "limit", "ratios"),
    [(NYLON, 75, 0.0025, (1.29, 2.16)), (PLA, 45, 0.001, (1.26, 2.0))],
    ids=["nylon", "PLA"],
)
def test_hours_grow_as_an_independent_solution_says(material, celsius, limit, ratios):
    """One spool at 1 l/min, then four: hours over those with room air, from a solution of another author's code."""
    chambers = (None, flowing(1.0), flowing(1.0, 4))
    looks_h = np.arange(0.5, 200, 0.5).tolist()
    lanes = [lane(material, celsius, chamber) for chamber in chambers]
    count = len(lanes)
    found = hours_until(lanes, [[limit]] * count, [None] * count, looks_h, share=0.2, below=True)
    free, alone, four = (hours for (hours,) in found)
    assert (alone / free, four / free) == pytest.approx(ratios, rel=0.2)


def test_the_flow_differs_between_members_and_is_that_of_the_room_before_it_is_heated():
    chamber = Chamber(0.3, 1.0, 3.0, 3)
    resistance = chamber.resistance(348.15, 32)
    assert resistance[0] == pytest.approx(3 * 60_000 * ROOM_K / 348.15)
    assert resistance.min() < 0.5 * resistance[0] < 2 * resistance[0] < resistance.max()
    np.testing.assert_allclose(chamber.shared_by(6).resistance(348.15, 32), 2 * resistance)


def test_stretches_are_joined_while_the_same_spools_share_the_chamber():
    airs = [lane(NYLON, 75, flowing(1.0, n), hours=1.0).surroundings[0] for n in (1, 1, 2, 2, 2)]
    joined = [(air.duration_s / 3600, air.chamber) for air in join(airs)]
    assert joined == [(2.0, flowing(1.0)), (3.0, flowing(1.0, 2))]


def test_a_flow_of_nothing_is_refused():
    with pytest.raises(ValueError, match="0 < low"):
        flowing(0.0).resistance(348.15, 32)
