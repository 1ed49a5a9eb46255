"""The share of the spread of a result that each uncertain number explains."""

import numpy as np
import pytest

from spools.physics.attribution import explained_shares


def test_the_number_that_orders_the_members_explains_them():
    rng = np.random.default_rng(5)
    strong, weak, none = rng.standard_normal((3, 400))
    shares = explained_shares(np.exp(3 * strong + weak), {"weak": weak, "none": none, "strong": strong})
    assert list(shares) == ["strong", "weak", "none"]
    assert shares["strong"] == pytest.approx(0.9, abs=0.05)
    assert shares["none"] < 0.03


def test_equal_members_leave_nothing_to_explain():
    assert explained_shares(np.ones(8), {"any": np.arange(8.0)}) == {"any": 0.0}
