"""What is stored of the outer turns is what would be computed, and no fact leaves it stale."""

from datetime import UTC, datetime, timedelta

import pytest
import time_machine
from django.utils import timezone

from spools.air import dry_box_cache
from spools.air.climate import record_readings
from spools.air.dry_box import put_desiccant
from spools.drying import runs as drying_runs
from spools.drying.runs import DryingSettings
from spools.inventory import ledger, moves
from spools.inventory.assumptions import save_feedstock, save_place
from spools.models import Ensemble, OuterTurns, Place
from spools.moisture import cache as moisture_cache
from spools.moisture import state as moisture_state
from spools.physics_inputs import SMALL_JOB_G
from tests.spools.conftest import receive

pytestmark = pytest.mark.django_db
START = datetime(2026, 3, 2, 10, 20, tzinfo=UTC)
NOW_H = 100


def at(hours: float) -> datetime:
    return START + timedelta(hours=hours)


@pytest.fixture(autouse=True)
def clock():
    with time_machine.travel(at(NOW_H), tick=False) as traveller:
        yield traveller


def computed(spools, when: datetime) -> dict[int, moisture_cache.SmallJobMoisture]:
    told = moisture_state.moisture_of(spools, when)
    return {
        pk: moisture_cache.SmallJobMoisture(
            moisture.probability_over(moisture.history.spool.feedstock.polymer.limit_clear_pct, SMALL_JOB_G),
            moisture.outer_pct(SMALL_JOB_G),
        )
        for pk, moisture in told.items()
    }


def test_what_is_stored_is_what_is_computed_for_that_hour(nylon, pla, shelf, bag, django_assert_num_queries):
    spools = [receive(nylon, shelf, at=START), receive(pla, shelf, at=at(3)), receive(pla, bag, at=at(5))]
    ledger.take(spools[0], 200, at=at(50))
    moisture_cache.advance(spools)
    (when,) = set(OuterTurns.objects.values_list("at", flat=True))
    assert when == at(NOW_H).replace(minute=0)
    with django_assert_num_queries(1):
        stored = moisture_cache.outer_turns(spools)
    assert stored == computed(spools, when)
    assert moisture_cache.find_stale(at(NOW_H)) == []
    OuterTurns.objects.all().delete()
    assert moisture_cache.rebuild(spools) == []
    assert moisture_cache.outer_turns(spools) == stored


FACTS = {
    "a print": lambda s, p: ledger.take(s, 20),
    "a weighing": lambda s, p: ledger.weigh(s, 1100),
    "a move": lambda s, p: moves.move_spool(s, p["box"]),
    "a drying run": lambda s, p: drying_runs.start_drying([s], p["dryer"], DryingSettings(75)),
    "a late print": lambda s, p: ledger.take(s, 20, at=at(30)),
    "a late reading": lambda s, p: record_readings(p["shelf"], [(at(30), 25, 90)], origin="file"),
}


@pytest.mark.parametrize("fact", FACTS)
def test_a_fact_makes_it_stale_until_it_is_computed_anew(nylon, shelf, box, dryer, clock, fact):
    spool, other = receive(nylon, shelf, at=START), receive(nylon, box, at=START)
    moisture_cache.advance([spool, other])
    FACTS[fact](spool, {"shelf": shelf, "box": box, "dryer": dryer})
    assert set(OuterTurns.objects.values_list("spool", flat=True)) == {other.pk}
    assert moisture_cache.outer_turns([spool]) == computed([spool], at(NOW_H))
    assert moisture_cache.find_stale(at(NOW_H)) == [spool.pk]
    moisture_cache.advance([spool])
    # Of an hour in which something happened nothing is stored before it is over.
    assert OuterTurns.objects.filter(spool=spool).exists() == ("late" in fact)
    clock.shift(timedelta(hours=1))
    moisture_cache.advance([spool])
    assert moisture_cache.outer_turns([spool]) == computed([spool], at(NOW_H + 1).replace(minute=0))


def test_readings_of_the_present_hour_change_nothing(nylon, shelf):
    spool = receive(nylon, shelf, at=START)
    moisture_cache.advance([spool])
    record_readings(shelf, [(at(NOW_H), 25, 90)], origin="api")
    assert OuterTurns.objects.filter(spool=spool).exists()


def test_another_assumption_makes_all_stale(nylon, shelf):
    spool = receive(nylon, shelf, at=START)
    moisture_cache.advance([spool])
    shelf.assumed_rh_pct = 90
    save_place(shelf)
    assert moisture_cache.outer_turns([spool]) == computed([spool], at(NOW_H))
    moisture_cache.advance([spool])
    nylon.limit_clear_pct = 0.01
    save_feedstock(nylon, "Example Works")
    assert moisture_cache.outer_turns([spool])[spool.pk].over_clear == 1
    assert moisture_cache.find_stale(at(NOW_H)) == [spool.pk]


def test_numbers_on_which_no_moisture_rests_leave_it_stored(nylon, shelf):
    moisture_cache.advance([receive(nylon, shelf, at=START)])
    shelf.name, nylon.reorder_point_g = "Shelf by the door", 500
    save_place(shelf)
    save_feedstock(nylon, "Example Works")
    assert OuterTurns.objects.exists()


def test_it_grows_old(nylon, shelf, clock):
    spool = receive(nylon, shelf, at=START)
    moisture_cache.advance([spool])
    clock.shift(timedelta(hours=5))
    kept = moisture_cache.outer_turns([spool])
    assert kept != computed([spool], at(NOW_H + 5))
    clock.shift(timedelta(hours=6))
    assert moisture_cache.outer_turns([spool]) == computed([spool], at(NOW_H + 11))
    assert moisture_cache.find_stale(at(NOW_H + 11)) == [spool.pk]


def test_in_each_hour_a_sixth_of_the_spools_have_their_turn(pla, shelf, clock):
    spools = [receive(pla, shelf, at=START) for _ in range(12)]
    moisture_cache.advance(spools)
    for _ in range(12):
        clock.shift(timedelta(hours=1))
        ids = moisture_cache.find_stale(timezone.now())
        assert len(ids) == 2
        moisture_cache.advance([spool for spool in spools if spool.pk in ids])
        assert moisture_cache.find_stale(timezone.now()) == []
        oldest = OuterTurns.objects.earliest("at").at
        assert timezone.now() - oldest < timedelta(hours=6)
    clock.shift(timedelta(hours=6))
    assert len(moisture_cache.find_stale(timezone.now())) == 12


def test_what_a_fast_clock_stored_is_not_believed(nylon, shelf, clock):
    spool = receive(nylon, shelf, at=START)
    moisture_cache.advance([spool], at(NOW_H + 700))
    assert moisture_cache.outer_turns([spool]) == computed([spool], at(NOW_H))
    assert moisture_cache.find_stale(at(NOW_H)) == [spool.pk]


def test_deleted_caches_are_computed_again(nylon, shelf, clock):
    spool = receive(nylon, shelf, at=START)
    ledger.weigh(spool, 1100, at=at(60))
    moisture_cache.advance([spool])
    clock.shift(timedelta(hours=9))
    moisture_cache.advance([spool])
    assert moisture_cache.rebuild([spool]) == []
    # Caches that somebody deleted are made again.
    Ensemble.objects.all().delete()
    clock.shift(timedelta(hours=9))
    moisture_cache.advance([spool])
    assert Ensemble.objects.filter(spool=spool).exists()
    assert moisture_cache.rebuild([spool]) == []


def test_the_desiccant_of_its_box_counts_too(nylon, shelf):
    box = Place.objects.create(name="Cabinet", kind="dry_box", room=shelf, volume_l=50, half_time_h=30)
    put_desiccant(box, "silica_gel", 200, condition="new", at=START)
    spool = receive(nylon, box, at=at(1))
    dry_box_cache.advance()
    moisture_cache.advance([spool])
    assert OuterTurns.objects.exists()
    put_desiccant(box, "silica_gel", 0, condition="unknown", at=at(40))
    assert not OuterTurns.objects.exists()
    assert moisture_cache.outer_turns([spool]) == computed([spool], at(NOW_H))
