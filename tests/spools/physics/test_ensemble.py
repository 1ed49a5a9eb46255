import numpy as np
import pytest
from scipy.special import ndtri

from spools.physics.ensemble import (
    MEMBERS,
    Between,
    Spread,
    first_members,
    further_points,
    interval,
    probability,
)

D23 = Spread(1e-13, 4e-13, 8e-13)
PORES = Between(0.22, 0.30, 0.40)
NAMES = ("w50_pct", "d23_m2_s", "e_d_kj_mol", "gab_c", "start_rh", "pore_fraction")


def test_low_median_and_high_are_its_quantiles():
    np.testing.assert_allclose(D23.at(ndtri([0.05, 0.5, 0.95])), [1e-13, 4e-13, 8e-13], rtol=1e-12)


def test_a_number_between_two_ends_is_uniform_in_its_logarithm_on_either_side():
    np.testing.assert_allclose(PORES.at([-50, 0, 50]), [0.22, 0.30, 0.40], rtol=1e-12)
    np.testing.assert_allclose(PORES.at(ndtri([0.25, 0.75])), np.sqrt([0.22 * 0.30, 0.30 * 0.40]), rtol=1e-12)


def test_members_fill_the_band():
    members = first_members(("d23", "w50"), 256)
    for name, expected in (("d23", D23), ("w50", Spread(2.2, 2.8, 3.3))):
        found = np.quantile(expected.at(members.point(name)), [0.05, 0.5, 0.95])
        np.testing.assert_allclose(found, [expected.low, expected.median, expected.high], rtol=0.03)


def test_the_first_members_are_the_same_for_all_and_uncorrelated():
    members = first_members(NAMES)
    assert members.points.shape == (MEMBERS, len(NAMES))
    assert members is first_members(NAMES)
    assert (members.points[0] == 0).all()
    np.testing.assert_allclose(members.points.mean(0), 0, atol=1e-12)
    np.testing.assert_allclose(members.points.T @ members.points / MEMBERS, np.eye(len(NAMES)), atol=1e-12)


def test_a_further_number_is_the_same_for_its_name_alone():
    points = further_points("hygrometer 3")
    assert points[0] == 0
    np.testing.assert_allclose(sorted(points), sorted(further_points("hygrometer 4")))
    assert (points[1:] != further_points("hygrometer 4")[1:]).any()
    np.testing.assert_allclose(np.quantile(points, [0.1, 0.5, 0.9]), ndtri([0.1, 0.5, 0.9]), atol=0.1)


def test_further_numbers_hardly_correlate_with_those_that_members_start_with():
    points = np.array([further_points(f"dryer {pk}") for pk in range(20)])
    correlations = np.corrcoef(points, first_members(NAMES).points.T)[:20, 20:]
    assert np.abs(correlations).max() < 0.05
    with pytest.raises(ValueError, match="at most"):
        first_members((*NAMES, "one too many"))


def test_a_column_replaces_the_further_points_of_its_name():
    members = first_members(NAMES)
    longer = members.with_columns(["hygrometer 3", "w50_pct"])
    assert longer.names == (*NAMES, "hygrometer 3")
    np.testing.assert_array_equal(longer.points[:, -1], members.point("hygrometer 3"))
    np.testing.assert_array_equal(longer.point("w50_pct"), members.points[:, 0])


def test_like_things_share_a_number_until_each_has_a_column():
    members = first_members(NAMES)
    np.testing.assert_array_equal(members.point("dryer #1"), members.point("dryer #2"))
    taught = members.with_columns(["dryer #1"])
    np.testing.assert_array_equal(taught.point("dryer #1"), members.point("dryer #1"))
    np.testing.assert_array_equal(taught.point("dryer #2"), taught.point("dryer #3"))
    for dryers in (taught, members.with_columns(["dryer #1", "dryer #2"])):
        assert abs(np.corrcoef(dryers.point("dryer #1"), dryers.point("dryer #2"))[0, 1]) < 0.5


def test_a_band_without_width_is_a_number():
    assert (Spread(2, 2, 2).at([-1.0, 0.0, 3.0]) == 2).all()


@pytest.mark.parametrize("values", [(0, 1, 2), (2, 1, 3), (1, 3, 2), (float("nan"), 1, 2)])
@pytest.mark.parametrize("kind", [Spread, Between])
def test_a_band_that_is_none_is_refused(kind, values):
    with pytest.raises(ValueError, match="needs 0 < low"):
        kind(*values)


def test_probability_and_band_of_members():
    values = np.array([1.0, 2.0, 3.0, 4.0])
    assert probability(values, 2.5) == 0.5
    assert interval(np.arange(101.0)) == pytest.approx((9.6, 50, 90.4))


@pytest.mark.parametrize("count", [1, 2, 7, 8, 9])
def test_few_members_are_numbers_too(count):
    points = first_members(NAMES, count).points
    assert points.shape == (count, len(NAMES)) and np.isfinite(points).all() and (points[0] == 0).all()
