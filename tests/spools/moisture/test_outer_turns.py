"""What is stored of the outer turns is what would be computed, and no fact leaves it stale."""

from datetime import UTC, datetime, timedelta

import pytest
import time_machine
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from spools.air import dry_box_cache
from spools.air.climate import record_readings
from spools.air.dry_box import put_desiccant
from spools.drying import runs as drying_runs
from spools.inventory import ledger, moves
from spools.models import DryingRun, Ensemble, MassEntry, MoistureState, OuterTurns, Place, Polymer, Stay
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


def computed(spools, when: datetime) -> dict[int, moisture_state.Outer]:
    told = moisture_state.moisture_of(spools, when)
    return {
        pk: moisture_state.Outer(
            moisture.probability_over(moisture.history.spool.feedstock.polymer.limit_clear_pct, SMALL_JOB_G),
            moisture.outer_pct(SMALL_JOB_G),
        )
        for pk, moisture in told.items()
    }


def test_what_is_stored_is_what_is_computed_for_that_hour(nylon, pla, shelf, bag, django_assert_num_queries):
    spools = [receive(nylon, shelf, at=START), receive(pla, shelf, at=at(3)), receive(pla, bag, at=at(5))]
    ledger.take(spools[0], 200, at=at(50))
    moisture_state.advance(spools)
    (when,) = set(OuterTurns.objects.values_list("at", flat=True))
    assert when == at(NOW_H).replace(minute=0)
    with django_assert_num_queries(3):
        stored = moisture_state.outer_turns(spools)
    assert stored == computed(spools, when)
    assert moisture_state.find_stale(at(NOW_H)) == []
    OuterTurns.objects.all().delete()
    assert moisture_state.rebuild(spools) == []
    assert moisture_state.outer_turns(spools) == stored


FACTS = {
    "a print": lambda s, p: ledger.take(s, 20),
    "a weighing": lambda s, p: ledger.weigh(s, 1100),
    "a move": lambda s, p: moves.move_spool(s, p["box"]),
    "a drying run": lambda s, p: drying_runs.start_drying([s], p["dryer"], 75),
    "a late print": lambda s, p: ledger.take(s, 20, at=at(30)),
    "a late reading": lambda s, p: record_readings(p["shelf"], [(at(30), 25, 90)], origin="file"),
}


@pytest.mark.parametrize("fact", FACTS)
def test_a_fact_makes_it_stale_until_it_is_computed_anew(nylon, shelf, box, dryer, clock, fact):
    spool, other = receive(nylon, shelf, at=START), receive(nylon, box, at=START)
    moisture_state.advance([spool, other])
    FACTS[fact](spool, {"shelf": shelf, "box": box, "dryer": dryer})
    assert set(OuterTurns.objects.values_list("spool", flat=True)) == {other.pk}
    assert moisture_state.outer_turns([spool]) == computed([spool], at(NOW_H))
    assert moisture_state.find_stale(at(NOW_H)) == [spool.pk]
    moisture_state.advance([spool])
    # Of an hour in which something happened nothing is stored before it is over.
    assert OuterTurns.objects.filter(spool=spool).exists() == ("late" in fact)
    clock.shift(timedelta(hours=1))
    moisture_state.advance([spool])
    assert moisture_state.outer_turns([spool]) == computed([spool], at(NOW_H + 1).replace(minute=0))


def test_readings_of_the_present_hour_change_nothing(nylon, shelf):
    spool = receive(nylon, shelf, at=START)
    moisture_state.advance([spool])
    record_readings(shelf, [(at(NOW_H), 25, 90)], origin="api")
    assert OuterTurns.objects.filter(spool=spool).exists()


def test_another_assumption_makes_all_stale(nylon, shelf):
    spool = receive(nylon, shelf, at=START)
    moisture_state.advance([spool])
    Place.objects.filter(pk=shelf.pk).update(assumed_rh_pct=90)
    assert moisture_state.outer_turns([spool]) == computed([spool], at(NOW_H))
    Place.objects.filter(pk=shelf.pk).update(assumed_rh_pct=50)
    Polymer.objects.filter(name="PA6").update(limit_clear_pct=0.01)
    assert moisture_state.outer_turns([spool])[spool.pk].over_clear == 1
    assert moisture_state.find_stale(at(NOW_H)) == [spool.pk]


def test_it_grows_old(nylon, shelf, clock):
    spool = receive(nylon, shelf, at=START)
    moisture_state.advance([spool])
    clock.shift(timedelta(hours=5))
    kept = moisture_state.outer_turns([spool])
    assert kept != computed([spool], at(NOW_H + 5))
    clock.shift(timedelta(hours=6))
    assert moisture_state.outer_turns([spool]) == computed([spool], at(NOW_H + 11))
    assert moisture_state.find_stale(at(NOW_H + 11)) == [spool.pk]


def test_in_each_hour_a_sixth_of_the_spools_have_their_turn(pla, shelf, clock):
    spools = [receive(pla, shelf, at=START) for _ in range(12)]
    moisture_state.advance(spools)
    for _ in range(12):
        clock.shift(timedelta(hours=1))
        ids = moisture_state.find_stale(timezone.now())
        assert len(ids) == 2
        moisture_state.advance([spool for spool in spools if spool.pk in ids])
        assert moisture_state.find_stale(timezone.now()) == []
        oldest = OuterTurns.objects.earliest("at").at
        assert timezone.now() - oldest < timedelta(hours=6)
    clock.shift(timedelta(hours=6))
    assert len(moisture_state.find_stale(timezone.now())) == 12


def test_what_a_fast_clock_stored_is_not_believed(nylon, shelf, clock):
    spool = receive(nylon, shelf, at=START)
    moisture_state.advance([spool], at(NOW_H + 700))
    assert moisture_state.outer_turns([spool]) == computed([spool], at(NOW_H))
    assert moisture_state.find_stale(at(NOW_H)) == [spool.pk]


def test_a_trusted_spool_continues_as_one_that_is_looked_through(nylon, shelf, clock):
    spool = receive(nylon, shelf, at=START)
    ledger.weigh(spool, 1100, at=at(60))
    moisture_state.advance([spool])
    clock.shift(timedelta(hours=9))
    moisture_state.advance([spool])
    assert moisture_state.rebuild([spool]) == []
    # Caches that somebody deleted are made again.
    Ensemble.objects.all().delete()
    clock.shift(timedelta(hours=9))
    moisture_state.advance([spool])
    assert Ensemble.objects.filter(spool=spool).exists()
    assert moisture_state.rebuild([spool]) == []


PASTS = {
    "nothing": lambda s, p: None,
    "a print": lambda s, p: ledger.take(s, 20, at=at(30)),
    "weighed twice": lambda s, p: [ledger.weigh(s, 1100, at=at(20)), ledger.weigh(s, 1098, at=at(60))],
    "a drying run": lambda s, p: drying_runs.finish_drying(
        drying_runs.start_drying([s], p["dryer"], 75, at=at(40))[0], place=p["shelf"], at=at(46.5)
    ),
    "into a computed box": lambda s, p: moves.move_spool(s, p["charged"], at=at(40)),
    "out of a computed box": lambda s, p: moves.record_excursion(s, p["charged"], at(40), at(60)),
    "out of its bag and back": lambda s, p: moves.record_excursion(s, p["shelf"], at(40), at(60)),
    "into a bag": lambda s, p: moves.move_spool(s, p["bag"], at=at(40)),
}


@pytest.mark.parametrize("past", PASTS)
def test_a_spool_that_stands_still_goes_on_as_if_its_facts_were_loaded(nylon, shelf, bag, dryer, clock, past):
    charged = Place.objects.create(name="Cabinet", kind="dry_box", room=shelf, volume_l=50, half_time_h=30)
    put_desiccant(charged, "silica_gel", 200, condition="new", at=START)
    spool = receive(nylon, bag if "its bag" in past or past == "nothing" else shelf, at=at(1))
    PASTS[past](spool, {"shelf": shelf, "bag": bag, "dryer": dryer, "charged": charged})
    moisture_state.advance([spool])
    for hours in (3, 6, 13):
        clock.shift(timedelta(hours=hours))
        record_readings(shelf, [(at(NOW_H + hours), 20 + hours, 40 + hours)], origin="api")
        dry_box_cache.advance()
        with CaptureQueriesContext(connection) as queries:
            moisture_state.advance([spool])
        asked = {fact._meta.db_table for fact in (Stay, MassEntry, DryingRun)}
        assert not [q for q in queries if any(f'FROM "{table}"' in q["sql"] for table in asked)]
    stored = rows(spool)
    OuterTurns.objects.all().delete()
    # With nothing to trust all facts are loaded; with nothing stored it starts anew.
    moisture_state.advance([spool])
    assert rows(spool) == stored
    MoistureState.objects.all().delete()
    moisture_state.advance([spool])
    assert rows(spool) == stored


def rows(spool) -> list[dict]:
    """All that is stored of the moisture of a spool."""
    states = MoistureState.objects.filter(spool=spool, at__gt=at(NOW_H)).values()
    outer = OuterTurns.objects.filter(spool=spool).values()
    assert states and outer
    return [{name: value for name, value in row.items() if name != "id"} for row in (*states, *outer)]


def test_a_spool_in_a_dryer_that_runs_does_not_stand_still(nylon, shelf, dryer, clock):
    spool = receive(nylon, shelf, at=START)
    drying_runs.start_drying([spool], dryer, 75, first_set_point_c=50, first_hours=20, at=at(95))
    moisture_state.advance([spool])
    clock.shift(timedelta(hours=30))
    moisture_state.advance([spool])
    assert OuterTurns.objects.get(spool=spool).last_fact_at is None
    assert moisture_state.rebuild([spool]) == []


def test_the_desiccant_of_its_box_counts_too(nylon, shelf):
    box = Place.objects.create(name="Cabinet", kind="dry_box", room=shelf, volume_l=50, half_time_h=30)
    put_desiccant(box, "silica_gel", 200, condition="new", at=START)
    spool = receive(nylon, box, at=at(1))
    dry_box_cache.advance()
    moisture_state.advance([spool])
    assert OuterTurns.objects.exists()
    put_desiccant(box, "silica_gel", 0, condition="unknown", at=at(40))
    assert not OuterTurns.objects.exists()
    assert moisture_state.outer_turns([spool]) == computed([spool], at(NOW_H))
