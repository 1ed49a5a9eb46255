"""A spool is wound onto another reel: older weighings keep the old one, and the winding turns inside out."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
import time_machine

from spools.drying.caps import compute_cap
from spools.drying.runs import DryingSettings, start_drying
from spools.facts import withdraw
from spools.inventory import endings, respooling
from spools.inventory.corrections import correct_weighing
from spools.inventory.ledger import remaining, take, weigh
from spools.inventory.openings import find_opened
from spools.inventory.respooling import respool
from spools.models import Place, Spool
from spools.moisture.state import moisture_of
from spools.physics.filament import PARTS
from spools.physics.geometry import Geometry
from spools.physics.state import WindingState, turn_inside_out
from tests.refusals import refuses
from tests.spools.conftest import receive
from tests.spools.derived import derived, require_rebuilt_equal

pytestmark = pytest.mark.django_db
START = datetime(2026, 3, 2, 10, 20, tzinfo=UTC)
NEW = {"core_mass_g": 115, "core_mass_known": True, "core_radius_mm": 45, "width_mm": 55}


def at(hours: float) -> datetime:
    return START + timedelta(hours=hours)


@pytest.fixture(autouse=True)
def clock():
    with time_machine.travel(at(300), tick=False) as traveller:
        yield traveller


@pytest.fixture
def worn(nylon, shelf):
    spool = receive(nylon, shelf, at=START)
    weigh(spool, 1202, at=at(10))
    take(spool, 500, at=at(20))
    weigh(spool, 703, at=at(100))
    return spool


def test_older_weighings_keep_their_reel(worn):
    before = remaining(worn)
    respool(worn, at=at(200), **NEW)
    assert remaining(worn).mass_g == pytest.approx(before.mass_g, abs=2)
    # The same filament on the new reel, 85 g lighter: it dried by nothing.
    dry = moisture_of([worn], at(299))[worn.pk].mean_pct
    weigh(worn, 618, at=at(299))
    assert remaining(worn).mass_g == pytest.approx(before.mass_g, abs=3)
    assert moisture_of([worn], at(300))[worn.pk].mean_pct.p50 == pytest.approx(dry.p50, abs=0.3)
    # A weighing of before that is entered late, or corrected, has the old reel in it.
    late = weigh(worn, 702, at=at(150))
    assert (late.core_mass_g, correct_weighing(late, 703).core_mass_g) == (200, 200)
    with refuses("below_reel_mass"):
        weigh(worn, 150, at=at(151))
    require_rebuilt_equal([worn])


def test_withdrawn_nothing_is_different(worn):
    before = derived([worn], at(300))
    facts = [respool(worn, at=at(200), **NEW), respool(worn, at=at(250), **NEW | {"core_mass_g": 300})]
    require_rebuilt_equal([worn])
    with refuses("wound_again"):
        withdraw(facts[0], reason="a slip")
    for fact in reversed(facts):
        withdraw(fact, reason="a slip")
    assert derived([worn], at(300)) == before
    require_rebuilt_equal([worn])


def test_the_outer_turns_lie_at_the_core(nylon, shelf):
    damp = Place.objects.create(name="Cellar", kind="shelf", assumed_rh_pct=80)
    spool = receive(nylon, damp, at=START, card="dry", sealed=True)
    whole = moisture_of([spool], at(30))[spool.pk]
    assert whole.outer_pct(50).p50 > whole.mean_pct.p50
    respool(spool, at=at(29.9), core_mass_g=200, core_radius_mm=50, width_mm=60)
    turned = moisture_of([spool], at(30))[spool.pk]
    assert turned.shells[0][3] > turned.shells[len(turned.shells) // 2][3]
    assert turned.mean_pct.p50 == pytest.approx(whole.mean_pct.p50, rel=0.02)
    require_rebuilt_equal([spool])


def test_the_new_reel_decides_the_heat_and_the_bag_is_open(nylon, bag, dryer):
    spool = receive(nylon, bag, at=START, core_material="pc")
    hot_c = compute_cap(spool, dryer).start_c
    respool(spool, at=at(20), core_material="pla", **NEW)
    spool.refresh_from_db()
    assert compute_cap(spool, dryer).start_c < hot_c
    opened = find_opened(spool)
    assert opened is not None and opened.at == at(20)


@pytest.mark.parametrize(
    ("when", "values", "code"),
    [
        (-1, {}, "before_receipt"),
        (0, {}, "before_winding"),
        (200, {"core_mass_g": 9999}, "max_value"),
        (90, {"core_mass_g": 900}, "reel_too_heavy"),
    ],
)
def test_reels_that_cannot_be(worn, when, values, code):
    with refuses(code):
        respool(worn, at=at(when), **NEW | values)
    worn.refresh_from_db()
    assert worn.core_mass_g == 200 and not worn.respoolings.exists()


def test_not_while_it_dries(worn, dryer):
    start_drying([worn], dryer, DryingSettings(60), at=at(290))
    with refuses("in_a_run"):
        respool(worn, at=at(295), **NEW)


def test_turning_twice_brings_the_winding_back():
    shape = Geometry.from_mass(0.8, core_radius_m=0.05, width_m=0.06, density_kg_m3=1130)
    shells = len(shape.shell_masses())
    contents = np.linspace(0.001, 0.02, shells)[:, None, None] * np.ones((1, PARTS, 2))
    state = WindingState(contents, np.full((shells, 1), 296.0))
    turned = turn_inside_out(state, shape)
    assert turned.water_kg(shape) == pytest.approx(state.water_kg(shape), rel=1e-12)
    assert turned.profile()[0, 0] > turned.profile()[0, -1]
    assert turn_inside_out(turned, shape).profile() == pytest.approx(state.profile(), abs=0.004)


def test_a_rebuild_derives_the_windings_and_the_end_again(worn):
    respool(worn, at=at(200), **NEW)
    endings.end_spool(worn, at=at(300))
    assert respooling.rebuild() == endings.rebuild() == []
    before = Spool.objects.values_list("ended_at", "respooled_at").get(pk=worn.pk)
    Spool.objects.filter(pk=worn.pk).update(ended_at=None, respooled_at=[])
    assert len(respooling.rebuild()) == len(endings.rebuild()) == 1
    assert Spool.objects.values_list("ended_at", "respooled_at").get(pk=worn.pk) == before
