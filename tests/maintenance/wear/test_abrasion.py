from dataclasses import asdict

import pytest
from hypothesis import given
from hypothesis import strategies as st

from maintenance.wear.abrasion import (
    PLAIN_FRACTION,
    Filament,
    PrintUse,
    Surface,
    cuts,
    dose_km,
    feed_km,
    heat_weight,
    hot_h,
    in_hand,
    mean_relative_wear,
    relative_wear,
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


@given(hardnesses, hardnesses, hardnesses, hardnesses)
def test_a_filler_whose_band_is_harder_wears_no_less(first, second, third, surface):
    low, likely, high = sorted([first, second, third])
    banded = [
        Filament(1.3, 1.75, 0.1, hv, filler_band_hv=band)
        for hv, band in [(likely, (low, likely)), (likely, (low, high)), (high, (high, high))]
    ]
    wear_ = [mean_relative_wear(filament, surface) for filament in banded]
    assert wear_ == sorted(wear_)
    assert 0 <= wear_[0] <= wear_[-1] <= 1


@given(hardnesses, hardnesses, st.floats(0, 0.01))
def test_wear_has_no_cliff_at_any_hardness(filler, surface, step):
    little, more = (
        mean_relative_wear(Filament(1.3, 1.75, 0.1, hv), surface) for hv in (filler, filler * (1 + step))
    )
    assert more - little <= 6.5 * step


def test_wear_falls_steeply_below_the_hardness_that_cuts():
    # Full at 1.2 times the surface's hardness (Pintaude 2010), about none at half of it.
    assert relative_wear(120, 100) == relative_wear(1000, 100) == 1
    assert relative_wear(119.9, 100) == pytest.approx(1, abs=0.01)
    assert 0.2 < relative_wear(100, 100) < 0.6
    assert relative_wear(50, 100) < 0.01
    assert mean_relative_wear(PLAIN, 100) == 0


def test_the_wear_counted_is_the_mean_over_the_band_of_the_hardness():
    # Glow pigment may cut hardened steel, from 828 HV on, though it likely does not.
    exact = mean_relative_wear(Filament(1.5, 1.75, 0.058, 600), 690)
    banded = mean_relative_wear(Filament(1.5, 1.75, 0.058, 600, filler_band_hv=(400, 900)), 690)
    assert 0.1 < exact < 0.2
    assert 0.25 < banded < 0.4


@given(fractions, fractions, st.floats(50, 3000))
def test_wood_never_wears_a_nozzle_faster_than_carbon_fibre(wood, fibre, surface):
    # For prints of one volume, up to ten times as much wood by volume; hardnesses of fixtures/fillers.csv.
    wooden = Filament(1.3, 1.75, min(wood, 10 * fibre), 20, filler_band_hv=(10, 40))
    carbon = Filament(1.3, 1.75, fibre, 340, filler_band_hv=(310, 370))
    for count in (dose_km, feed_km):
        assert count(1, wooden, Surface(surface, 0.4)) <= count(1, carbon, Surface(surface, 0.4))


def test_a_surface_of_unknown_hardness_is_taken_to_be_cut():
    assert cuts(20, None)
    assert dose_km(1, CARBON, Surface(None, 0.4)) == dose_km(1, CARBON, BRASS)


def test_plain_filament_counts_little():
    assert dose_km(1, PLAIN, BRASS) == pytest.approx(sliding_km(1, 1.24, 0.4) * PLAIN_FRACTION)
    assert dose_km(1, CARBON, BRASS) > 40 * dose_km(1, PLAIN, BRASS)


def test_gears_have_no_bore_and_pay_for_filler():
    assert dose_km(1, CARBON, Surface(105)) == 0
    unfilled = Filament(CARBON.density_g_cm3, CARBON.diameter_mm)
    assert feed_km(1, CARBON, Surface(105)) > 2.5 * feed_km(1, CARBON, Surface(690))
    assert feed_km(1, CARBON, Surface(690)) > feed_km(1, unfilled, Surface(690))


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


def test_the_dose_of_a_bore_is_shown_as_filament_with_fibres():
    # 1 kg with 20 % of carbon fibre (14 % by volume) through 0.4 mm: 6.37 km of plug.
    assert in_hand("dose_km", 0.4) == (pytest.approx(1 / (6.366 * 0.142), rel=1e-3), "filled_kg")
    # As much wear through a bore twice as wide takes four times the filament.
    assert in_hand("dose_km", 0.8)[0] == pytest.approx(4 * in_hand("dose_km", 0.4)[0])
    assert in_hand("hours", None) == (1.0, "hours")
