"""A wrong weighing is withdrawn: all is as if it had never been, and it stays on record."""

from datetime import UTC, datetime, timedelta

import pytest
import time_machine

from spools.air import dry_box_cache
from spools.air.dry_box import put_desiccant
from spools.drying import runs as drying_runs
from spools.drying.loss import loss_on_drying
from spools.drying.runs import DryingSettings
from spools.facts import withdraw
from spools.inventory import endings, ledger
from spools.inventory.corrections import correct_weighing
from spools.models import Ensemble, Place
from spools.moisture import cache as moisture_cache
from spools.moisture import state as moisture_state
from tests.refusals import refuses
from tests.spools.conftest import receive

pytestmark = pytest.mark.django_db
START = datetime(2026, 3, 2, 10, 20, tzinfo=UTC)


def at(hours: float) -> datetime:
    return START + timedelta(hours=hours)


@pytest.fixture(autouse=True)
def clock():
    with time_machine.travel(at(200), tick=False):
        yield


@pytest.fixture
def spool(nylon, shelf):
    return receive(nylon, shelf, at=START, sealed=False)


def told(spool):
    """All that is computed of a spool: amount, moisture, what is stored."""
    moisture_cache.advance([spool])
    spool.refresh_from_db()
    states = [(row.at, bytes(row.memory)) for row in spool.moisture_states.all()]
    rows = [(bytes(row.points), row.divided) for row in Ensemble.objects.filter(spool=spool)]
    return ledger.remaining(spool), moisture_state.moisture_now(spool).mean_pct, states, rows


@pytest.mark.parametrize("others", [0, 1, 2])
def test_all_is_as_if_it_had_never_been(spool, others):
    ledger.take(spool, 100, at=at(30))
    for hours in (20, 160)[:others]:
        ledger.weigh(spool, 1210 - hours, at=at(hours))
    without = told(spool)
    slip = ledger.weigh(spool, 700, at=at(90), by=None)
    assert told(spool) != without
    withdraw(slip, reason="a mistake")
    assert told(spool) == without
    assert moisture_cache.rebuild([spool]) == []
    slip.refresh_from_db()
    assert (slip.gross_g, slip.withdrawn_at) == (700, at(200))


def test_the_last_word_is_that_of_the_weighing_before_even_before_anything_is_computed(spool):
    ledger.weigh(spool, 1100, at=at(20))
    slip = ledger.weigh(spool, 400, at=at(90))
    withdraw(slip, reason="a mistake")
    assert ledger.remaining(spool).why[0].values["gross_g"] == 1100
    # Grams up to the next weighing are those of before the slip, too.
    ledger.take(spool, 700, at=at(95))


def test_the_right_number_takes_its_time_and_its_place_in_the_run(spool, dryer, shelf):
    (run,) = drying_runs.start_drying([spool], dryer, DryingSettings(75), at=at(60), gross_g={spool.pk: 1242})
    run = drying_runs.finish_drying(run, place=shelf, at=at(80), gross_g=1207)
    slip = run.before
    withdraw(slip, reason="a mistake")
    run.refresh_from_db()
    assert loss_on_drying(run) is None and run.weighed_before is None
    right = correct_weighing(slip, 1224, resolution_g=0.5)
    run.refresh_from_db()
    assert (right.at, right.resolution_g, run.weighed_before) == (at(60), 0.5, right)
    assert loss_on_drying(run).mass_g == 17
    after = correct_weighing(run.after, 1206)
    run.refresh_from_db()
    assert (run.weighed_after, loss_on_drying(run).mass_g) == (after, 18)
    moisture_cache.advance([spool])
    assert moisture_cache.rebuild([spool]) == []
    with refuses("corrected_already"):
        correct_weighing(slip, 1225)


def test_it_is_withdrawn_once_and_what_was_received_is_not(spool):
    slip = ledger.weigh(spool, 1100, at=at(20))
    withdraw(slip, reason="a mistake")
    with refuses("withdrawn_already", names=["10 Mar 2026"]):
        withdraw(slip, reason="a mistake")
    received = spool.mass_entries.get(kind="received")
    with refuses("not_a_weighing"):
        withdraw(received, reason="a mistake")


def test_two_equal_weighings_within_a_minute_are_two_facts(spool):
    ledger.weigh(spool, 1100, at=at(20))
    ledger.weigh(spool, 1100, at=at(20.01))
    assert spool.mass_entries.filter(gross_g=1100).count() == 2


def test_an_impossible_right_number_withdraws_nothing(spool):
    slip = ledger.weigh(spool, 1100, at=at(20))
    with refuses("below_reel_mass"):
        correct_weighing(slip, 20)
    slip.refresh_from_db()
    assert slip.withdrawn_at is None


def test_the_only_weighing_of_a_spool_is_corrected_not_withdrawn(nylon, shelf):
    spool = receive(nylon, shelf, at=START, net_mass_g=None, gross_g=1510)
    (first,) = spool.mass_entries.all()
    with refuses("only_weighing"):
        withdraw(first, reason="a mistake")
    correct_weighing(first, 1210)
    assert told(spool)[0].mass_g == pytest.approx(990, abs=25)
    assert moisture_cache.rebuild([spool]) == []


def test_without_its_first_weighing_a_spool_is_counted_back_from_the_next(nylon, shelf):
    box = Place.objects.create(name="Box", kind="dry_box", room=shelf, volume_l=30, half_time_h=33)
    put_desiccant(box, "silica_gel", 100, condition="new", at=START)
    spool = receive(nylon, box, at=at(1), net_mass_g=None, gross_g=1510)
    ledger.take(spool, 200, at=at(40))
    ledger.weigh(spool, 1010, at=at(100))
    dry_box_cache.advance()
    moisture_cache.advance([spool])
    withdraw(spool.mass_entries.first(), reason="a mistake")
    masses = ledger.winding_masses(spool, list(spool.mass_entries.valid()))
    assert [mass_g for _, mass_g in masses] == [1010, 810, 810]
    dry_box_cache.advance()
    moisture_cache.advance([spool])
    ledger.weigh(spool, 1190, at=at(30))
    dry_box_cache.advance()
    moisture_cache.advance([spool])
    assert moisture_cache.rebuild([spool]) == []
    assert dry_box_cache.rebuild() == []


def test_an_emptying_may_lie_before_a_withdrawn_weighing(spool, shelf):
    withdraw(ledger.weigh(spool, 1100, at=at(150)), reason="a mistake")
    assert endings.end_spool(spool, at=at(140)).ended_at == at(140)
