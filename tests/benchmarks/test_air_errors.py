"""The air that each member takes as the true one, against the physics of moist air."""

import numpy as np
import pytest

from benchmarks.air_errors import HYGROMETER_SD, AirErrors, spread_air, true_air
from benchmarks.members import first_members
from spools.physics.air import heated_rh
from spools.physics.surroundings import Surroundings

MEMBERS = first_members(("w50_pct",))
BOX = AirErrors("hygrometer 7")
DRYER = AirErrors("hygrometer 7", dryer="dryer 2", dryer_sd_k=3.0)
ROOM_K, HOT_K = 295.15, 343.15


def test_a_hygrometer_is_off_by_the_same_in_any_air_of_its_place():
    kelvin, rh = true_air(ROOM_K, 0.40, BOX, MEMBERS)
    assert kelvin == ROOM_K
    assert rh[0] == 0.40
    assert np.std(rh) == pytest.approx(HYGROMETER_SD, rel=0.1)
    np.testing.assert_allclose(true_air(ROOM_K, 0.55, BOX, MEMBERS)[1] - 0.15, rh)


def test_no_air_is_drier_than_dry():
    _, rh = true_air(ROOM_K, 0.02, BOX, MEMBERS)
    assert rh.min() > 0
    _, rh = true_air(ROOM_K, 0.99, BOX, MEMBERS)
    assert rh.max() < 1


def test_a_hotter_dryer_has_drier_air_and_a_humid_room_or_a_poor_exchange_more_vapour():
    kelvin, rh = true_air(HOT_K, float(heated_rh(ROOM_K, 0.45, HOT_K)), DRYER, MEMBERS)
    assert np.std(kelvin - HOT_K) == pytest.approx(3.0, rel=0.1)
    offset, (_, vapour) = DRYER.offset(MEMBERS), DRYER.heating(MEMBERS)
    assert 1 <= vapour.min() < 1.05 < 1.8 < vapour.max() <= 2
    np.testing.assert_allclose(rh, vapour * heated_rh(ROOM_K, 0.45 + offset, kelvin), rtol=1e-9)


def test_a_line_keeps_its_ends():
    air = Surroundings(3600, ROOM_K, 0.4, end_temperature_k=ROOM_K, end_rh=0.5)
    spread = spread_air(air, BOX, MEMBERS)
    np.testing.assert_allclose(spread.later_rh - spread.rh, 0.1)
