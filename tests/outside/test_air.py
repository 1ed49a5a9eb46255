"""Moist air against published numbers and PsychroLib (a package that implements ASHRAE's formulas)."""

import numpy as np
import psychrolib
import pytest

from spools.physics import air

psychrolib.SetUnitSystem(psychrolib.SI)


@pytest.mark.parametrize(
    ("celsius", "pressure_pa"), [(5, 872.6), (25, 3169.7), (50, 12351.3), (100, 101418.0)]
)
def test_saturation_pressure_is_ashraes(celsius, pressure_pa):
    # ASHRAE Handbook of Fundamentals 2017, ch. 1, table 3. The table follows a later formulation, 0.02 % from
    # the chapter's own Hyland-Wexler equations.
    assert air.saturation_pressure(celsius + 273.15) == pytest.approx(pressure_pa, rel=3e-4)


def test_saturation_pressure_is_near_the_steam_tables():
    # IAPWS R7-97, table 35: 0.00353658941 MPa at 300 K; another formulation, so only near.
    assert air.saturation_pressure(300.0) == pytest.approx(3536.58941, rel=3e-4)


def test_saturation_pressure_agrees_with_psychrolib_over_water_and_ice():
    celsius = np.concatenate([np.linspace(-60, -0.5, 30), np.linspace(0.5, 150, 60)])
    expected = [psychrolib.GetSatVapPres(float(t)) for t in celsius]
    np.testing.assert_allclose(air.saturation_pressure(celsius + 273.15), expected, rtol=2e-5)


@pytest.mark.parametrize(
    ("celsius", "rh_pct"), [(40, 21.46), (50, 12.83), (60, 7.95), (70, 5.08), (80, 3.34)]
)
def test_heating_room_air_keeps_its_vapour_pressure(celsius, rh_pct):
    # Room of 25 °C and 50 %; PsychroLib, CoolProp and IAPWS-95 agree within 0.02 points.
    assert 100 * air.heated_rh(298.15, 0.5, celsius + 273.15) == pytest.approx(rh_pct, abs=0.02)


def test_cooling_below_the_dew_point_saturates():
    assert air.heated_rh(298.15, 0.5, 278.15) == 1.0


@pytest.mark.parametrize(("celsius", "g_per_m3"), [(20, 17.29), (25, 23.04)])
def test_saturated_absolute_humidity(celsius, g_per_m3):
    # Computed with PsychroLib's pressure and the ideal gas law.
    assert 1000 * air.vapour_density(celsius + 273.15, 1.0) == pytest.approx(g_per_m3, abs=0.01)


# Greenspan (1977), J. Res. Natl. Bur. Stand. 81A, table 2, sodium chloride: his fit, rounded (from memory, the value
# at 25 °C also in fixtures/reference/humidity_values.csv).
@pytest.mark.parametrize(
    ("celsius", "rh_pct"),
    [(0, 75.51), (5, 75.65), (10, 75.67), (15, 75.61), (20, 75.47), (25, 75.29), (30, 75.09), (40, 74.68)],
)
def test_the_air_over_wet_table_salt_is_greenspans(celsius, rh_pct):
    assert 100 * air.table_salt_rh(celsius + 273.15) == pytest.approx(rh_pct, abs=0.011)


# Wexler, CRC Handbook of Chemistry and Physics: 69.2 exp(25 K / T), 10 to 40 °C, ± 2 % RH.
@pytest.mark.parametrize("celsius", [10, 25, 40])
def test_the_air_over_wet_table_salt_is_near_wexlers(celsius):
    wexler_pct = 69.2 * np.exp(25 / (celsius + 273.15))
    assert 100 * air.table_salt_rh(celsius + 273.15) == pytest.approx(wexler_pct, abs=0.7)


@pytest.mark.parametrize(("kelvin", "m2_s"), [(273.15, 2.178e-5), (298.15, 2.552e-5), (353.15, 3.467e-5)])
def test_vapour_diffusivity_is_massmans(kelvin, m2_s):
    # Massman (1998), 0.2178 cm²/s (T/273.15)^1.81.
    assert air.vapour_diffusivity(kelvin) == pytest.approx(m2_s, rel=5e-4)
