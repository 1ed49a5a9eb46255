"""A changed assumption deletes the caches computed with it; a change without effect deletes nothing."""

import pytest
from django.core.management import call_command
from django.utils import timezone

from spools.board import board
from spools.catalogue.importing import load_materials
from spools.invalidation import save_assumptions
from spools.models import Filler, MoistureState, Polymer, Spool
from spools.moisture import cache as moisture_cache
from tests.spools.conftest import feedstock, receive

pytestmark = pytest.mark.django_db


@pytest.fixture
def filled(shelf):
    """A spool of filled nylon with stored moisture, and one of PLA beside it."""
    fibre = Filler.objects.create(
        name="carbon fibre", density_g_cm3=1.8, hardness_hv=500, hardness_low_hv=400, hardness_high_hv=600
    )
    spools = [
        receive(feedstock("PA6", filler=fibre, filler_mass_fraction=0.2), shelf),
        receive(feedstock("PLA"), shelf),
    ]
    assert moisture_cache.advance(spools) > 0
    return spools[0]


def computed_spools() -> set[int]:
    return set(MoistureState.objects.values_list("spool", flat=True))


@pytest.mark.parametrize(
    ("changed", "name"), [("polymer", "d23_m2_s"), ("filler", "density_g_cm3"), ("feedstock", "diameter_mm")]
)
def test_corrected_materials_delete_the_moisture_of_their_spools_alone(filled, changed, name):
    other = Spool.objects.exclude(pk=filled.pk).get()
    row = filled.feedstock if changed == "feedstock" else getattr(filled.feedstock, changed)
    setattr(row, name, 1.01 * getattr(row, name))
    save_assumptions(row)
    assert computed_spools() == {other.pk}
    generations = dict(Spool.objects.values_list("pk", "cache_generation"))
    assert generations[filled.pk] == filled.cache_generation + 2, "received, corrected"


def test_a_corrected_limit_makes_answers_stale_and_keeps_the_moisture(filled):
    board.refresh([spool.pk for spool in Spool.objects.all()])
    before = set(MoistureState.objects.values_list("pk", flat=True))
    polymer = Polymer.objects.get(name="PA6")
    polymer.limit_clear_pct *= 0.9
    save_assumptions(polymer)
    assert board.find_stale(timezone.now()) == [filled.pk]
    assert set(MoistureState.objects.values_list("pk", flat=True)) == before
    assert moisture_cache.rebuild(Spool.objects.all()) == []


def test_the_name_of_a_polymer_deletes_nothing(filled):
    polymer = Polymer.objects.get(name="PA6")
    polymer.name = "Nylon 6"
    save_assumptions(polymer)
    assert filled.pk in computed_spools()


def test_a_result_from_before_a_correction_is_not_stored(filled):
    computed = moisture_cache.compute_advance([filled.pk], filled.received_at.now(filled.received_at.tzinfo))
    polymer = Polymer.objects.get(name="PA6")
    polymer.w50_pct *= 1.1
    save_assumptions(polymer)
    assert moisture_cache.store_advance(computed) == 0
    assert filled.pk not in computed_spools()


def test_restoring_the_catalogue_deletes_everything_computed(filled):
    load_materials()
    assert computed_spools(), "nothing of what was there was changed"
    load_materials(restore=True)
    assert not computed_spools()


def test_all_can_be_deleted_by_hand(filled):
    call_command("invalidate_caches", verbosity=0)
    assert computed_spools()
    call_command("invalidate_caches", all=True, verbosity=0)
    assert not computed_spools()
