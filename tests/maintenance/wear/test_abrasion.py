from dataclasses import asdict

import pytest
from hypothesis import given
from hypothesis import strategies as st

from maintenance.wear.abrasion import (
    MILD_SHARE,
    PLAIN_FRACTION,
    Filament,
    PrintUse,
    Surface,
    cuts,
    dose_km,
    feed_km,
    hardness_regime,
    heat_weight,
    hot_h,
    sliding_km,
    wear,
)

BRASS, STEEL = Surface(105, 0.4), Surface(690, 0.4)
PLAIN = Filament(1.24, 1.75)
CARBON = Filament(1.30, 1.75, 0.108, 340)

masses = st.floats(0, 20)
fractions = st.floats(0, 0.9)
hardnesses = st.floats(10, 3000)
bores = st.floats(0.1, 2)
hours = st.floats(0, 1000)
temperatures = st.floats(0, 600)
retractions = st.floats(0, 10)


@given(
    *[masses, masses, fractions, fractions, hardnesses, hardnesses, bores, hours, hours],
    *[temperatures, temperatures, retractions, retractions],
)
def test_more_filler_a_softer_surface_or_longer_use_never_wear_less(
    mass, more, fraction, richer, surface, softer, bore, time, longer, cooler, hotter, less, retracted
):
    (mass, more), (fraction, richer) = sorted([mass, more]), sorted([fraction, richer])
    (softer, surface), (time, longer) = sorted([softer, surface]), sorted([time, longer])
    (cooler, hotter), (less, retracted) = sorted([cooler, hotter]), sorted([less, retracted])
    little = wear(
        PrintUse(mass, time, cooler, less), Filament(1.3, 1.75, fraction, 340), Surface(surface, bore, 230)
    )
    much = wear(
        PrintUse(more, longer, hotter, retracted),
        Filament(1.3, 1.75, richer, 340),
        Surface(softer, bore, 230),
    )
    for scale in asdict(little):
        assert getattr(much, scale) >= getattr(little, scale), scale


@given(masses, fractions, hardnesses, hardnesses, hardnesses)
def test_a_harder_filler_never_wears_less(mass, fraction, filler, harder, surface):
    filler, harder = sorted([filler, harder])
    for count in (dose_km, feed_km):
        doses = [
            count(mass, Filament(1.3, 1.75, fraction, hv), Surface(surface, 0.4)) for hv in (filler, harder)
        ]
        assert doses[0] <= doses[1]


@given(st.lists(st.floats(0, 5), max_size=20))
def test_a_print_in_pieces_wears_as_much_as_in_one(pieces):
    parts = sum(dose_km(mass, CARBON, BRASS) for mass in pieces)
    assert parts == pytest.approx(dose_km(sum(pieces), CARBON, BRASS))


def test_the_regime_turns_at_one_and_a_fifth():
    assert hardness_regime(120, 100) == 1
    assert hardness_regime(119.9, 100) == MILD_SHARE
    assert hardness_regime(None, 100) == 0


def test_a_surface_of_unknown_hardness_is_taken_to_be_cut():
    assert cuts(20, None)
    assert dose_km(1, CARBON, Surface(None, 0.4)) == dose_km(1, CARBON, BRASS)


def test_plain_filament_counts_little():
    assert dose_km(1, PLAIN, BRASS) == pytest.approx(sliding_km(1, 1.24, 0.4) * PLAIN_FRACTION)
    assert dose_km(1, CARBON, BRASS) > 40 * dose_km(1, PLAIN, BRASS)


def test_gears_have_no_bore_and_pay_for_filler():
    assert dose_km(1, CARBON, Surface(105)) == 0
    assert (
        feed_km(1, CARBON, Surface(105)) > feed_km(1, CARBON, Surface(690)) > feed_km(1, PLAIN, Surface(690))
    )


def test_heat_ages_faster_when_hotter():
    assert heat_weight(230, 230) == 1
    assert heat_weight(240, 230) > 1 > heat_weight(220, 230)


def test_retracted_filament_passes_the_teeth_twice_more():
    # 2,000 retractions of 0.8 mm are 1.6 m back and 1.6 m forth.
    assert feed_km(1, PLAIN, BRASS, 0.0016) == pytest.approx(feed_km(1, PLAIN, BRASS) + 0.0032)


def test_hot_hours_count_at_the_parts_own_temperature():
    # PTFE: 300 to 500 h at 230 °C or below, 100 to 200 h at 240 to 250 °C (wear_values.csv, no source).
    liner = Surface(None, heat_reference_c=230)
    assert hot_h(PrintUse(0.1, 10, 230), liner) == 10
    assert 400 / 200 < hot_h(PrintUse(0.1, 10, 245), liner) / 10 < 400 / 100
    assert hot_h(PrintUse(0.1, 10, 245), Surface(None)) == 10


def test_residue_counts_at_the_polymers_usual_temperature_and_by_its_activation_energy():
    pla, abs_ = Filament(1.24, 1.75, usual_c=210, ageing_kj_mol=96), Filament(1.04, 1.75, usual_c=245)
    assert wear(PrintUse(0.1, 4, 210), pla, BRASS).residue_h == 4
    assert wear(PrintUse(0.1, 4, 210), abs_, BRASS).residue_h < 1
    steep = Filament(1.24, 1.75, usual_c=210, ageing_kj_mol=223)
    assert (
        wear(PrintUse(0.1, 4, 230), steep, BRASS).residue_h
        > wear(PrintUse(0.1, 4, 230), pla, BRASS).residue_h
        > 4
    )
