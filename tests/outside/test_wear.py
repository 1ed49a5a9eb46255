"""Wear against fixtures/reference/checks.md and wear_values.csv; (c) computed, (p) published there."""

import csv
import re
from pathlib import Path

import pytest

from maintenance.wear.abrasion import Filament, Surface, cuts, dose_km, filament_km, heat_weight, sliding_km
from maintenance.wear.life import Life
from maintenance.wear.residue import COLD_PULLS
from spools.catalogue.values import filler_volume_fraction
from spools.models import Feedstock, Filler, Polymer

BRASS_LIFE = Life(0.17, 0.055, 0.49)
STEEL_LIFE = Life(1.1, 0.22, 5.4)


def carbon_fibre_pla() -> Filament:
    """15 % of carbon fibre by mass in PLA; densities 1.8 and 1.24 g/cm3."""
    product = Feedstock(
        polymer=Polymer(density_g_cm3=1.24), filler=Filler(density_g_cm3=1.8), filler_mass_fraction=0.15
    )
    fraction = filler_volume_fraction(product)
    return Filament(fraction * 1.8 + (1 - fraction) * 1.24, 1.75, fraction, 340)


def test_sliding_and_filament_length_of_a_kilogram_of_pla():
    assert sliding_km(1, 1.24, 0.4) == pytest.approx(6.42, abs=0.005)  # c
    assert filament_km(1, 1.24, 1.75) == pytest.approx(0.335, abs=0.0005)  # c
    # 126 m of 2.85 mm (wear_values.csv, derived).
    assert filament_km(1, 1.24, 2.85) == pytest.approx(0.126, abs=0.0005)
    # 5.85 km of PA with 30 % of glass (wear_values.csv, derived), 1.36 g/cm3.
    assert sliding_km(1, 1.36, 0.4) == pytest.approx(5.85, abs=0.01)


def test_which_filler_cuts_which_nozzle():
    # Pintaude 2010: 1.2 times the hardness. Glass 459-550, carbon fibre 340; brass 85-125, stainless 180,
    # hardened steel 650-730, carbide 1700-2400, ruby 2140-2650 HV (fixtures/reference/README.md).
    for abrasive in (340, 459, 550):
        assert all(cuts(abrasive, soft) for soft in (85, 125, 180))
        assert not any(cuts(abrasive, hard) for hard in (650, 730, 1700, 2140))


def test_a_quarter_kilogram_of_carbon_fibre_filament_wears_out_brass():
    # One vendor's test, quoted: 0.25 kg to visible heavy wear of 0.4 mm brass (weak evidence).
    dose = dose_km(0.25, carbon_fibre_pla(), Surface(105, 0.4))
    assert dose == pytest.approx(0.165, abs=0.005)
    assert BRASS_LIFE.low < dose < BRASS_LIFE.high


def kilograms(life: Life, filament: Filament, surface: Surface) -> tuple[float, float, float]:
    dose_per_kg = dose_km(1, filament, surface)
    return life.low / dose_per_kg, life.median / dose_per_kg, life.high / dose_per_kg


def test_plain_pla_through_brass_lasts_as_long_as_in_the_trade():
    # Web guides, common practice, no source: 2 to 4 kg, or 100 to 500 h (2 to 15 kg at 20 to 30 g/h).
    low, median, high = kilograms(BRASS_LIFE, Filament(1.24, 1.75), Surface(105, 0.4))
    assert 2 < low < 15
    assert 5 < median < 50
    assert high < 100


def test_hardened_steel_with_fibre_lasts_tens_of_kilograms():
    # Derived from Rus and Capitanu 2013, an order of magnitude only: about 43 kg of PA-GF30.
    low, median, high = kilograms(STEEL_LIFE, Filament(1.36, 1.75, 0.16, 500), Surface(690, 0.4))
    assert low < 43 < high
    assert 10 < median < 100
    assert 10 < kilograms(STEEL_LIFE, carbon_fibre_pla(), Surface(690, 0.4))[1] < 100


def test_the_arrhenius_factor_of_ten_kelvin():
    # wear_values.csv, derived: +10 C at 230 C, by activation energy in kJ/mol.
    factors = {80: 1.45, 100: 1.59, 120: 1.75, 150: 2.01, 200: 2.54, 240: 3.06}
    for ageing_kj_mol, factor in factors.items():
        assert heat_weight(240, 230, ageing_kj_mol) == pytest.approx(factor, abs=0.005)
    assert heat_weight(240, 230) == pytest.approx(1.75, abs=0.005)


def test_cold_pull_windows_are_those_of_the_guide():
    # wear_values.csv, cold pull: "PLA 80-100; PETG 90-120 (with PLA as pull stock); ABS/ASA 100-140; ...".
    with (Path(__file__).parents[2] / "fixtures" / "reference" / "wear_values.csv").open() as file:
        [row] = [row for row in csv.DictReader(file) if row["item"] == "cold pull"]
    stated = re.findall(r"([A-Z/]+) (\d+)-(\d+)(?: \((PLA|with PLA) as pull stock\))?", row["value"])
    assert len(stated) == 5
    for names, low, high, by_pla in stated:
        for name in names.split("/"):
            pull = COLD_PULLS[name]
            assert (pull.low_c, pull.high_c) == (float(low), float(high))
            assert pull.stock == ("PLA" if by_pla else name)
