"""Lives of nozzles by what is printed, in kg, against what the trade expects of them."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchmarks.nozzle_lives import PAGE, PRODUCTS, build_filament, build_page, life_kg
from maintenance.models import PartKind
from maintenance.parts.wear_entries import surface_of
from maintenance.wear.abrasion import Filament, Surface
from maintenance.wear.life import Life
from tests.restored import build_once, load_catalogue

STEEL_LIFE, STEEL = Life(1.1, 0.22, 5.4), Surface(690, 0.4)
NAMES = {
    "plain": "plain PLA",
    "wood": "PLA, 30 % wood",
    "carbon": "PLA, 15 % carbon fibre",
    "glass": "PA6, 30 % glass fibre",
    "glow": "PLA, 15 % glow pigment",
}


@pytest.fixture
def catalogue(db):
    build_once(load_catalogue)


@pytest.fixture
def lives(catalogue) -> dict[tuple[str, str], Life]:
    """By the metal of a 0.4 mm nozzle and the short name of a product."""
    products = {product.name: product for product in PRODUCTS}
    return {
        (kind.material, short): life_kg(
            build_filament(products[name]), surface_of(kind), Life(kind.life, kind.life_low, kind.life_high)
        )
        for kind in PartKind.objects.filter(role="nozzle", bore_mm=0.4)
        for short, name in NAMES.items()
    }


def test_the_page_is_the_one_that_the_code_writes(catalogue):
    assert PAGE.read_text() == build_page(), "Run python -m benchmarks.nozzle_lives."


def test_lives_are_those_of_the_trade(lives):
    # Plain PLA through brass: web guides, 2 to 4 kg or 100 to 500 h (2 to 15 kg); common practice, no source.
    assert 10 < lives["brass", "plain"].median < 17
    # One vendor's test, quoted: 0.25 kg of PLA with 15 % of carbon fibre wear brass visibly.
    assert 0.2 < lives["brass", "carbon"].median < 0.3
    # Derived from Rus and Capitanu 2013, an order of magnitude only: 43 kg of PA-GF30 through a steel nozzle.
    assert lives["hardened steel", "glass"].low < 43 < lives["hardened steel", "glass"].high
    assert 10 < lives["hardened steel", "glass"].median < 60
    # Common practice, no source: hardened steel lasts tens of kg of fibre, and is advised for glow pigment.
    assert 30 < lives["hardened steel", "carbon"].median < 120
    assert 5 < lives["hardened steel", "glow"].median < 40
    assert 0.3 < lives["brass", "glow"].median < 1
    # Wood is soft: it wears like plain PLA.
    for metal in ("brass", "stainless steel", "hardened steel", "tungsten carbide", "ruby in brass"):
        assert lives[metal, "wood"].median == pytest.approx(lives[metal, "plain"].median, rel=0.1)


def test_wood_outlasts_carbon_fibre_in_every_nozzle(lives):
    # To 2 %: where neither wears the nozzle, a kilogram of the lighter filament is longer.
    for metal, short in lives:
        if short == "wood":
            assert lives[metal, "wood"].median > 0.98 * lives[metal, "carbon"].median


@given(st.floats(300, 1200), st.floats(1, 300), st.floats(1, 300))
def test_the_life_has_no_cliff_over_the_band_of_a_hardness(likely, below, above):
    # Glow pigment on hardened steel: 400 to 900 HV, and 828 HV cuts.
    def life(shift: float) -> Life:
        hv = likely + shift
        return life_kg(
            Filament(1.5, 1.75, 0.058, hv, filler_band_hv=(hv - below, hv + above)), STEEL, STEEL_LIFE
        )

    here, harder = life(0), life(likely / 100)
    for end in ("low", "median", "high"):
        assert 0.9 * getattr(here, end) <= getattr(harder, end) <= getattr(here, end) * 1.001


def test_the_range_holds_both_ends_of_the_hardness(catalogue):
    glow = next(product for product in PRODUCTS if "glow" in product.name)
    life = life_kg(build_filament(glow), STEEL, STEEL_LIFE)
    assert life.high / life.low > STEEL_LIFE.high / STEEL_LIFE.low
