import pytest
from hypothesis import given
from hypothesis import strategies as st

from maintenance.wear.bore import Bore

BORE = Bore(0.4, 0.01, 0.45)


@given(st.floats(0.1, 2), st.floats(1.01, 1.5), st.floats(0.01, 100), st.floats(0, 3))
def test_growth_follows_the_closed_form_of_constant_pressure(new_mm, growth, life_km, share):
    # d^3 = d0^3 + 24 K phi p V / (pi H) (wear_values.csv), with V = W pi d0^2 / (4 phi) and kappa = K p / H.
    bore = Bore(new_mm, 0.01, new_mm * growth)
    kappa_mm_km = bore.kappa_um_km(life_km) / 1000
    dose_km = share * life_km
    closed = (new_mm**3 + 24 * kappa_mm_km * dose_km * new_mm**2 / 4) ** (1 / 3)
    assert bore.after_mm(share) == pytest.approx(closed, rel=1e-9)


def test_little_wear_grows_the_bore_by_twice_kappa_times_the_dose():
    # fixtures/reference/README.md: small wear, d - d0 = 2 kappa W.
    bore = Bore(0.4, 0.01, 0.401)
    assert bore.after_mm(1) - 0.4 == pytest.approx(2 * bore.kappa_um_km(0.5) / 1000 * 0.5, rel=5e-3)


def test_kappa_of_brass_and_of_hardened_steel_are_in_the_published_order_of_magnitude():
    # Rus and Capitanu 2013, steel rubbed by PA with 30 % of glass fibre: depth per sliding distance of order
    # 1e-10, so 1.2 um per kg (0.1 to 10) for 0.4 mm. Here: a dose of 5.85 km (0.16 x 0.05 + 0.002) per kg.
    steel = BORE.kappa_um_km(1.1)
    assert 0.1 < 2 * steel * 5.85 * (0.16 * 0.05 + 0.002) < 10
    # Brass: 0.25 kg of carbon-fibre filament wear it visibly, that is by some 0.05 mm (one vendor's test).
    assert 2 * BORE.kappa_um_km(0.165) * 0.165 == pytest.approx(56, abs=1)


@given(st.floats(0, 1.5), st.floats(0.05, 2))
def test_a_measured_bore_gives_back_the_share_that_it_comes_from(share, dose_km):
    evidence = BORE.evidence(dose_km, BORE.after_mm(share), 0.005)
    assert (evidence.age, evidence.share) == (dose_km, pytest.approx(share, abs=1e-9))


def test_a_finer_gauge_and_a_bore_measured_when_new_narrow_the_life():
    coarse, fine = (BORE.evidence(0.1, 0.42, error).error for error in (0.01, 0.002))
    assert fine < coarse
    assert Bore(0.4, 0.002, 0.45).evidence(0.1, 0.42, 0.002).error < fine
    # Of 0.05 mm, 0.02 mm are 40 % (38 % in d^3), and 0.01 mm with 0.01 mm when new some 30 % of error.
    assert BORE.evidence(0.1, 0.42, 0.01).share == pytest.approx(0.38, abs=0.01)
    assert coarse == pytest.approx(0.28, abs=0.03)
