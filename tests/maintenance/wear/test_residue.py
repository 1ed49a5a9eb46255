import pytest
from hypothesis import given
from hypothesis import strategies as st

from maintenance.wear.abrasion import Filament, PrintUse
from maintenance.wear.heat import ageing_kj_mol
from maintenance.wear.intervals import units_of_print
from maintenance.wear.residue import advise_pull, cold_pull

temperatures = st.floats(180, 450)


def residue_h(hours: float, nozzle_c: float, usual_c: float, polymer: str = "") -> float:
    filament = Filament(1.2, 1.75, usual_c=usual_c, ageing_kj_mol=ageing_kj_mol(polymer))
    return units_of_print("hot_h", PrintUse(0.05, hours, nozzle_c), filament)


@given(st.floats(0, 1000), temperatures, temperatures, temperatures)
def test_hotter_or_longer_never_leaves_less(hours, nozzle_c, hotter_c, normal_c):
    nozzle_c, hotter_c = sorted([nozzle_c, hotter_c])
    assert residue_h(hours, hotter_c, normal_c) >= residue_h(hours, nozzle_c, normal_c)
    assert residue_h(2 * hours, nozzle_c, normal_c) == pytest.approx(2 * residue_h(hours, nozzle_c, normal_c))


def test_an_hour_at_the_usual_temperature_counts_as_one():
    assert residue_h(3, 240, 240, "ABS") == 3


def test_abs_answers_to_heat_more_than_pla():
    assert residue_h(1, 240, 230, "ABS") > residue_h(1, 240, 230) > residue_h(1, 240, 230, "PLA") > 1


@pytest.mark.parametrize(
    ("polymer", "words"),
    [
        ("PETG", "with PLA"),
        ("PA12", "with the same"),
        ("TPU 95A", "80 °C to 110 °C"),
        ("ASA", "with the same"),
    ],
)
def test_the_advice_names_stock_and_window(polymer, words):
    assert words in advise_pull(polymer).sentence


@pytest.mark.parametrize("polymer", ["PPA", "PC", "PP", "PEEK", "POM"])
def test_where_nobody_states_a_window_none_is_made_up(polymer):
    assert cold_pull(polymer) is None
    assert advise_pull(polymer).code == "cold_pull.unknown"
