import numpy as np
import pytest
from scipy.special import ndtri

from spools.physics.ensemble import (
    Spread,
    draw,
    first_points,
    further_points,
    interval,
    probability,
)

D23 = Spread(1e-13, 4e-13, 8e-13)


def test_low_median_and_high_are_its_quantiles():
    np.testing.assert_allclose(D23.at(ndtri([0.05, 0.5, 0.95])), [1e-13, 4e-13, 8e-13], rtol=1e-12)


def test_members_fill_the_band():
    drawn = draw({"d23": D23, "w50": Spread(2.2, 2.8, 3.3)}, first_points(2, "K7M4QX", members=256))
    for name, expected in (("d23", D23), ("w50", Spread(2.2, 2.8, 3.3))):
        found = np.quantile(drawn[name], [0.05, 0.5, 0.95])
        np.testing.assert_allclose(found, [expected.low, expected.median, expected.high], rtol=0.03)
    assert abs(np.corrcoef(np.log(drawn["d23"]), np.log(drawn["w50"]))[0, 1]) < 0.1


def test_the_same_spool_has_the_same_members_and_another_has_others():
    once, again, other = (first_points(2, code) for code in ("K7M4QX", "K7M4QX", "K7M4QY"))
    assert once.shape == (32, 2)
    np.testing.assert_array_equal(once, again)
    assert (once[0] == 0).all()
    assert (once[1:] != other[1:]).all()


def test_a_band_without_width_is_a_number():
    assert (draw({"w50": Spread(2, 2, 2)}, first_points(1, "x"))["w50"] == 2).all()


@pytest.mark.parametrize("values", [(0, 1, 2), (2, 1, 3), (1, 3, 2), (float("nan"), 1, 2)])
def test_a_band_that_is_none_is_refused(values):
    with pytest.raises(ValueError, match="a spread needs"):
        Spread(*values)


def test_probability_and_band_of_members():
    values = np.array([1.0, 2.0, 3.0, 4.0])
    assert probability(values, 2.5) == 0.5
    assert interval(np.arange(101.0)) == pytest.approx((9.6, 50, 90.4))


def test_a_further_number_is_the_same_for_its_name_alone():
    points = further_points("hygrometer 3")
    assert points[0] == 0
    np.testing.assert_allclose(sorted(points), sorted(further_points("hygrometer 4")))
    assert (points[1:] != further_points("hygrometer 4")[1:]).any()
    np.testing.assert_allclose(np.quantile(points, [0.1, 0.5, 0.9]), ndtri([0.1, 0.5, 0.9]), atol=0.1)
