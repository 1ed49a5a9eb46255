"""The members of the trials of the moisture's ranges."""

import numpy as np
from scipy.special import ndtri

from benchmarks.members import Between, first_members
from spools.physics.ensemble import MEMBERS

PORES = Between(0.22, 0.30, 0.40)
NAMES = ("w50_pct", "d23_m2_s", "e_d_kj_mol", "gab_c", "start_rh", "pore_fraction")


def test_a_number_between_two_ends_is_uniform_in_its_logarithm_on_either_side():
    np.testing.assert_allclose(PORES.at([-50, 0, 50]), [0.22, 0.30, 0.40], rtol=1e-12)
    np.testing.assert_allclose(PORES.at(ndtri([0.25, 0.75])), np.sqrt([0.22 * 0.30, 0.30 * 0.40]), rtol=1e-12)


def test_the_first_members_are_the_same_for_all_and_uncorrelated():
    members = first_members(NAMES)
    assert members.points.shape == (MEMBERS, len(NAMES))
    assert members is first_members(NAMES)
    assert (members.points[0] == 0).all()
    np.testing.assert_allclose(members.points.mean(0), 0, atol=1e-12)
    np.testing.assert_allclose(members.points.T @ members.points / MEMBERS, np.eye(len(NAMES)), atol=1e-12)


def test_a_column_replaces_the_further_points_of_its_name():
    members = first_members(NAMES)
    longer = members.with_columns(["hygrometer 3", "w50_pct"])
    assert longer.names == (*NAMES, "hygrometer 3")
    np.testing.assert_array_equal(longer.points[:, -1], members.point("hygrometer 3"))
    np.testing.assert_array_equal(longer.point("w50_pct"), members.points[:, 0])
