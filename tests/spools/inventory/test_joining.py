"""A leftover is joined onto another spool: its grams leave one and join the other, until that is withdrawn."""

from datetime import UTC, datetime, timedelta

import pytest
import time_machine

from spools.facts import withdraw
from spools.inventory.joining import join_spools
from spools.inventory.ledger import remaining, weigh
from spools.models import Place
from spools.moisture.joining import join_leftover
from tests.refusals import refuses
from tests.spools.conftest import receive
from tests.spools.derived import derived, require_rebuilt_equal

pytestmark = pytest.mark.django_db
START = datetime(2026, 3, 2, 10, 20, tzinfo=UTC)


def at(hours: float) -> datetime:
    return START + timedelta(hours=hours)


@pytest.fixture(autouse=True)
def clock():
    with time_machine.travel(at(100), tick=False) as traveller:
        yield traveller


def test_grams_change_spools_and_come_back(pla, shelf):
    source, target = receive(pla, shelf, at=START, net_mass_g=150), receive(pla, shelf, at=START)
    weigh(target, 1000, at=at(10))
    spools = [source, target]
    before = derived(spools, at(100))
    joining = join_leftover(source, target, at=at(50))
    assert remaining(source).mass_g == 0
    assert remaining(target).mass_g == pytest.approx(before[target.pk][0].mass_g + 150, abs=0.01)
    weigh(target, 1150, at=at(60))
    assert remaining(target).mass_g == pytest.approx(948, abs=6)
    require_rebuilt_equal(spools)
    withdraw(target.mass_entries.get(at=at(60)), reason="the other one")
    withdraw(joining, reason="they are two still")
    assert derived(spools, at(100)) == before
    require_rebuilt_equal(spools)


@pytest.mark.parametrize(
    ("mass_g", "code"), [(200, "not_enough_filament"), (0, "out_of_range"), (None, "other_feedstock")]
)
def test_joints_that_cannot_be(pla, nylon, shelf, mass_g, code):
    source, target = receive(pla, shelf, at=START, net_mass_g=150), receive(pla, shelf, at=START)
    if code == "other_feedstock":
        target = receive(nylon, shelf, at=START)
    with refuses(code):
        join_spools(source, target, mass_g=mass_g)
    with refuses("same_spool"):
        join_spools(source, source)
    assert not source.mass_entries.filter(kind="moved").exists()


def test_a_wetter_leftover_is_refused(nylon, shelf):
    cellar = Place.objects.create(name="Cellar", kind="shelf", assumed_rh_pct=85)
    source, target = receive(nylon, cellar, at=START, net_mass_g=150), receive(nylon, shelf, at=START)
    with refuses("wetter", "source"):
        join_leftover(source, target)
    join_leftover(target, source, mass_g=50)
