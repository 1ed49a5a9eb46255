"""Desiccant and dry box against published tables, standards, and what the trade knows."""

import numpy as np
import pytest

from spools.physics import drybox
from spools.physics.desiccant import DESICCANTS, mass_for
from spools.physics.drybox import DAY_S, Box, DryBoxContents, Room
from spools.physics.sorbers import NOTHING

SILICA, SIEVE = DESICCANTS["silica_gel"], DESICCANTS["molecular_sieve"]
ROOM_PA = 1585.0  # 25 °C and 50 % RH
TWENTY_C = 293.15


def test_regular_silica_gel_at_20_c():
    # J. Chem. Eng. Data, doi 10.1021/je400517c, table 3.
    rh = np.array([5, 10, 20, 30, 40, 50, 60, 80]) / 100
    expected = [0.040, 0.067, 0.116, 0.166, 0.215, 0.260, 0.291, 0.307]
    np.testing.assert_allclose(SILICA.loading(rh, TWENTY_C), expected, atol=5e-4)


@pytest.mark.parametrize(
    ("celsius", "left"), [(40, 0.109), (60, 0.042), (75, 0.023), (100, 0.011), (120, 0.005), (140, 0.003)]
)
def test_water_that_regenerating_silica_gel_leaves(celsius, left):
    # The same source's isotherms at those temperatures, none of which but 100 °C went into the model's table.
    assert SILICA.residual(celsius + 273.15, ROOM_PA) == pytest.approx(left, rel=0.06, abs=0.0008)


@pytest.mark.parametrize(("rh", "held_g"), [(0.20, 3.0), (0.40, 6.0)])
def test_a_desiccant_unit_of_silica_gel(rh, held_g):
    # MIL-D-3464: a unit holds 3 g at 20 % and 6 g at 40 % RH, 25 °C; DIN 55473: it takes 26 g of silica gel.
    assert 26 * float(SILICA.loading(rh, 298.15)) == pytest.approx(held_g, rel=0.12)


@pytest.mark.parametrize(("rh_pct", "loading"), [(24, 0.134), (50, 0.288)])
def test_bags_of_silica_gel_that_were_weighed_in_rooms(rh_pct, loading):
    # Shop notes with weighings of 500 g bags, 2013: another gel, so only near.
    assert float(SILICA.loading(rh_pct / 100, 295.15)) == pytest.approx(loading, rel=0.15)


@pytest.mark.parametrize(("rh", "loading"), [(0.05, 0.189), (0.20, 0.224), (0.50, 0.246), (0.80, 0.256)])
def test_molecular_sieve_at_25_c(rh, loading):
    # Wang and LeVan 2009, doi 10.1021/je800900a: measured points, to which the equation was not fitted alone.
    assert float(SIEVE.loading(rh, 298.15)) == pytest.approx(loading, rel=0.03)


@pytest.mark.parametrize(("celsius", "left"), [(100, 0.131), (120, 0.101), (200, 0.026), (300, 0.003)])
def test_a_filament_dryer_does_not_regenerate_a_sieve(celsius, left):
    # Reference data, computed from the same parameters elsewhere.
    assert SIEVE.residual(celsius + 273.15, ROOM_PA) == pytest.approx(left, abs=0.001)


def test_the_packaging_formula():
    # JIS Z 0301, worked example: R 8 g/m²/d, A 6 m², 30 days, 85 -> 50 % RH, K1 0.0045; 2 -> 24 %: 1031 g.
    water_kg = 8 * 6 * 30 * (85 - 50) * 0.0045 / 1000
    assert mass_for(water_kg, 0.02, 0.24) == pytest.approx(1.031, abs=5e-4)
    assert mass_for(water_kg, 0.24, 0.24) == float("inf")


def test_thomsons_half_time():
    # Thomson 1977: 4 M B / N days at 20 °C. M of the table between 10 and 20 % RH is 4.89 g/kg per 1 % RH.
    m_g_kg, kg_m3, a_day = 4.89, 20.0, 1.0
    box = Box(0.5, a_day / DAY_S, SILICA, 0.5 * kg_m3)
    days = box.buffered_half_time_s(0.15, TWENTY_C) / DAY_S
    assert days == pytest.approx(4 * m_g_kg * kg_m3 / a_day, rel=0.01)


def test_an_empty_case_fills_exponentially():
    # Padfield's example: 0.1 volumes an hour, room at 100 %: 9.52, 18.13, 25.92 % RH after 1, 2, 3 h.
    box = Box(1.0, 0.1 / 3600, SILICA, 0.0)
    state, found = DryBoxContents(0.0, np.zeros(0)), []
    for _ in range(180):
        state, _ = drybox.step(box, NOTHING, state, Room(60.0, TWENTY_C, 1.0))
        found.append(100 * box.rh(state.water_kg, TWENTY_C))
    assert found[59::60] == pytest.approx([9.52, 18.13, 25.92], abs=0.03)
    assert drybox.half_time_s(0.1 / 3600) / 3600 == pytest.approx(6.93, abs=0.01)
    assert drybox.air_changes_s(drybox.half_time_s(0.1 / 3600)) == pytest.approx(0.1 / 3600)


def test_water_that_leaks_into_a_box_in_a_year():
    # Reference data: 20 L, 0.1 changes a day, 25 °C, 50 % outside and 10 % inside: 6.7 g a year; a sieve
    # holds the inside far below 10 %, so a little more.
    box = Box(0.020, 0.1 / DAY_S, SIEVE, 1.0)
    state, came_in = DryBoxContents(box.water(0.001, 298.15), np.zeros(0)), 0.0
    for _ in range(365):
        state, through = drybox.step(box, NOTHING, state, Room(DAY_S, 298.15, 0.5))
        came_in += through
    assert 1000 * came_in == pytest.approx(6.7 * 0.5 / 0.4, rel=0.03)
