import pytest

from spools.models import MassEntry, Spool, Stay
from spools.physics_inputs import geometry
from tests.refusals import refuses
from tests.spools.conftest import hours_ago, receive

pytestmark = pytest.mark.django_db


def test_a_spool_is_received_with_its_mass_and_its_place(pla, shelf):
    spool = receive(pla, shelf, batch="B 7")
    assert (spool.stays.get().place, spool.stays.get().start) == (shelf, spool.received_at)
    assert spool.mass_entries.get().net_change_g == 1000
    assert receive(pla, shelf).code != spool.code


def test_a_first_weighing_does_instead_of_a_net_mass_and_beside_it(pla, shelf):
    assert receive(pla, shelf, net_mass_g=None, gross_g=1190).mass_entries.get().gross_g == 1190
    both = receive(pla, shelf, gross_g=1190)
    assert [entry.kind for entry in both.mass_entries.all()] == ["received", "weighed"]


def test_without_the_reels_mass_a_common_one_with_a_wide_band_is_assumed(pla, shelf):
    spool = receive(pla, shelf, core_mass_g=None)
    assert (spool.core_mass_g, spool.core_mass_band_g, spool.core_mass_known) == (200, 60, False)


def test_a_kilogram_of_pla_reaches_the_computed_radius(pla, shelf):
    # By hand: 1000 g / 1.24 = 806.5 cm³; / 0.7 filled = 1152 cm³; / 6 cm wide = 192 cm².
    # The radius is (192 / pi + 5²)^.5 = 9.28 cm.
    assert geometry(receive(pla, shelf), 1000).outer_radius_m == pytest.approx(0.0928, abs=1e-4)


@pytest.mark.parametrize(
    ("values", "code"),
    [
        ({"net_mass_g": -5}, "out_of_range"),
        ({"net_mass_g": 0}, "out_of_range"),
        ({"net_mass_g": 90_000}, "out_of_range"),
        ({"net_mass_g": float("nan")}, "out_of_range"),
        ({"net_mass_g": None}, "mass_missing"),
        ({"gross_g": 150}, "below_reel_mass"),
        ({"gross_g": 20_013}, "out_of_range"),
        ({"core_mass_g": -1}, "out_of_range"),
        ({"core_radius_mm": 0}, "out_of_range"),
        ({"width_mm": 9, "net_mass_g": 5000}, "winding_too_large"),
        ({"core_cap_c": 5}, "out_of_range"),
        ({"card": "purple"}, "invalid_choice"),
        ({"batch": "x" * 61}, "max_length"),
        ({"at": hours_ago(-1)}, "in_the_future"),
    ],
)
def test_impossible_input_is_refused_and_nothing_is_stored(pla, shelf, values, code):
    with refuses(code, next(iter(values))):
        receive(pla, shelf, **values)
    assert not (Spool.objects.exists() or Stay.objects.exists() or MassEntry.objects.exists())
