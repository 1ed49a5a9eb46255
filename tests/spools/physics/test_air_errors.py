"""The air that each member takes as the true one, against the physics of moist air."""

import numpy as np
import pytest

from spools.physics.air import heated_rh, saturation_pressure
from spools.physics.air_errors import HYGROMETER_SD, AirErrors, true_air
from spools.physics.ensemble import first_members
from spools.physics.surroundings import Surroundings, join, spread_air

MEMBERS = first_members(("w50_pct",))
BOX = AirErrors("hygrometer 7")
DRYER = AirErrors("hygrometer 7", dryer="dryer #2", dryer_sd_k=3.0)
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
    _, rh = true_air(ROOM_K, 0.98, BOX, MEMBERS)
    assert rh.max() < 1


def test_a_hotter_dryer_has_drier_air_and_a_humid_room_more_vapour():
    kelvin, rh = true_air(HOT_K, float(heated_rh(ROOM_K, 0.45, HOT_K)), DRYER, MEMBERS)
    assert np.std(kelvin - HOT_K) == pytest.approx(3.0, rel=0.1)
    offset = HYGROMETER_SD * MEMBERS.point("hygrometer 7")
    np.testing.assert_allclose(rh, heated_rh(ROOM_K, 0.45 + offset, kelvin), rtol=1e-9)


def test_the_hygrometer_of_an_exact_dryer_is_in_its_room():
    kelvin, rh = true_air(
        HOT_K, float(heated_rh(ROOM_K, 0.45, HOT_K)), DRYER._replace(dryer_sd_k=0.0), MEMBERS
    )
    offset = HYGROMETER_SD * MEMBERS.point("hygrometer 7")
    assert kelvin == HOT_K
    np.testing.assert_allclose(rh, heated_rh(ROOM_K, 0.45 + offset, HOT_K), rtol=1e-9)


def test_a_plan_counts_on_no_dryer_that_is_hotter_than_its_set_point():
    kelvin, rh = true_air(HOT_K, 0.1, DRYER, MEMBERS)
    planned_k, planned_rh = true_air(HOT_K, 0.1, DRYER._replace(is_no_hotter=True), MEMBERS)
    cooler = kelvin <= HOT_K
    assert 0 < cooler.sum() < len(kelvin)
    np.testing.assert_array_equal(planned_k, np.minimum(kelvin, HOT_K))
    np.testing.assert_array_equal(planned_rh[cooler], rh[cooler])
    assert (planned_rh >= rh).all()


def test_a_desiccant_or_an_exact_dryer_leaves_out_what_is_known():
    kelvin, rh = true_air(HOT_K, 0.01, DRYER._replace(hygrometer_sd=0.0), MEMBERS)
    np.testing.assert_allclose(rh * saturation_pressure(kelvin), 0.01 * saturation_pressure(HOT_K), rtol=1e-9)
    kelvin, rh = true_air(HOT_K, 0.01, DRYER._replace(hygrometer_sd=0.0, dryer_sd_k=0.0), MEMBERS)
    assert (kelvin, rh) == (HOT_K, 0.01)


def test_known_air_is_the_same_for_all():
    air = Surroundings(3600, ROOM_K, 0.4)
    assert spread_air(air, MEMBERS) is air


def test_a_line_keeps_its_ends():
    air = Surroundings(3600, ROOM_K, 0.4, end_temperature_k=ROOM_K, end_rh=0.5, errors=BOX)
    spread = spread_air(air, MEMBERS)
    np.testing.assert_allclose(spread.later_rh - spread.rh, 0.1)


def test_stretches_of_other_places_are_not_joined():
    def stretch(errors):
        return Surroundings(3600, ROOM_K, 0.4, errors=errors)

    assert [air.errors for air in join([stretch(BOX)] * 3 + [stretch(AirErrors("hygrometer 8"))] * 2)] == [
        BOX,
        AirErrors("hygrometer 8"),
    ]
