from datetime import UTC, datetime, timedelta

import pytest
import time_machine
from django.core.management import call_command
from hypothesis import given, settings
from hypothesis import strategies as st

from spools import facts, invalidation
from spools.air.climate import record_readings
from spools.codes import pretty
from spools.drying import runs as drying_runs
from spools.drying.runs import DryingSettings
from spools.inventory import endings, ledger, moves, openings
from spools.inventory.assumptions import save_place
from spools.models import CacheVersion, MassEntry, MoistureState, Reading
from spools.moisture import cache as moisture_cache
from spools.moisture import state as moisture_state
from tests.refusals import refuses
from tests.restored import built_once
from tests.spools.conftest import receive

pytestmark = pytest.mark.django_db
START = datetime(2026, 3, 2, 10, 20, tzinfo=UTC)


def at(hours: float) -> datetime:
    return START + timedelta(hours=hours)


@pytest.fixture(autouse=True)
def clock():
    """Now is 300 hours after the start; tests travel from there."""
    with time_machine.travel(at(300), tick=False) as traveller:
        yield traveller


def stored(spool) -> dict[datetime, tuple]:
    return {
        row.at: (bytes(row.memory), row.exposure_hours, row.dry_hours, row.heat_hours)
        for row in spool.moisture_states.all()
    }


def stored_points(spool) -> list[tuple]:
    return list(spool.moisture_points.values_list("at", "p10_pct", "p50_pct", "p90_pct"))


@built_once
def eventful(nylon, bag, shelf, box, dryer):
    """Received in its bag, opened, printed from, dried, weighed, with readings here and there."""
    spool = receive(nylon, bag, at=START, card="dry")
    record_readings(shelf, [(at(h / 3), 21 + h / 90, 40 + h / 9) for h in range(170, 210)], origin="api")
    record_readings(box, [(at(h), 22, 12 + h / 40) for h in range(85, 160, 5)], origin="api")
    moves.move_spool(spool, shelf, at=at(25))
    openings.record_opening(spool, at=at(25))
    ledger.take(spool, 180, at=at(40))
    (run,) = drying_runs.start_drying([spool], dryer, DryingSettings(75), at=at(60), gross_g={spool.pk: 1030})
    drying_runs.finish_drying(run, place=box, at=at(74), gross_g=1012)
    moves.record_excursion(spool, shelf, at(90), at(97.5))
    ledger.take(spool, 300, at=at(96))
    return spool


def test_continuing_in_many_steps_gives_what_starting_again_gives_to_the_bit(eventful, clock):
    for hour in (1, 26.5, 27, 50, 61, 73.9, 74.2, 91, 97, 130, 171.3, 300):
        moisture_cache.advance([eventful], at(hour))
    continued, points = stored(eventful), stored_points(eventful)
    assert max(continued) == datetime(2026, 3, 14, tzinfo=UTC)
    assert moisture_cache.rebuild([eventful]) == []
    again = stored(eventful)
    # Charts go back eight days from the newest: midnights, events, and quarters of a day with readings.
    assert stored_points(eventful) == points and len(points) == 15
    assert points[0][0] == datetime(2026, 3, 6, tzinfo=UTC)
    assert again[max(again)] == continued[max(continued)]
    for moment in again.keys() & continued.keys():
        assert again[moment] == continued[moment]


def test_what_is_read_does_not_depend_on_what_is_stored(eventful):
    without = moisture_state.moisture_of([eventful], at(299.7))[eventful.pk]
    moisture_cache.advance([eventful], at(150))
    from_checkpoint = moisture_state.moisture_of([eventful], at(299.7))[eventful.pk]
    assert from_checkpoint.mean_pct == without.mean_pct
    assert from_checkpoint.shells == without.shells
    assert (from_checkpoint.exposure_hours, from_checkpoint.heat_hours) == (without.exposure_hours, 14)
    assert not eventful.moisture_states.filter(at__gt=at(150)).exists()


def test_the_clock_runs_with_the_moisture(eventful):
    told = moisture_state.moisture_of([eventful], at(59))[eventful.pk]
    assert told.exposure_hours == pytest.approx(34)
    # 14 h at 75 °C reset it (nylon: 12 h at 80 °C, the dryer may be 5 K off); then 7.5 h on the shelf and
    # the hours in the box before its first reading (08:20 + 85 h is 23:20).
    assert moisture_state.moisture_of([eventful], at(74))[eventful.pk].exposure_hours == 0
    assert moisture_state.moisture_of([eventful], at(97.5))[eventful.pk].exposure_hours == pytest.approx(
        (at(85).replace(minute=0) - at(74)) / timedelta(hours=1) + 7.5
    )


LATE_FACTS = {
    "readings": lambda s, p: record_readings(p["shelf"], [(at(30.2), 28, 80)], origin="file"),
    "readings of the dryer's room": lambda s, p: record_readings(
        p["shelf"], [(at(65.2), 28, 80)], origin="file"
    ),
    "a weighing": lambda s, p: ledger.weigh(s, 950, at=at(45)),
    "a print": lambda s, p: ledger.take(s, 20, at=at(45)),
    "a job withdrawn": lambda s, p: ledger.withdraw_printed(
        s.mass_entries.filter(kind="printed").first(), MassEntry(withdrawn_reason="a mistake")
    ),
    "an excursion": lambda s, p: moves.record_excursion(s, p["shelf"], at(150), at(160)),
    "an excursion before it": lambda s, p: moves.record_excursion(s, p["shelf"], at(80), at(85)),
    "a move withdrawn": lambda s, p: facts.withdraw(s.moves.get(until=at(97.5)), reason="a test"),
    "a stated opening": lambda s, p: openings.record_opening(s, at=at(10), card="wet"),
    "a move": lambda s, p: moves.move_spool(s, p["shelf"], at=at(200)),
    "a drying run": lambda s, p: drying_runs.start_drying([s], p["dryer"], DryingSettings(75), at=at(200)),
    "emptied": lambda s, p: endings.end_spool(s, at=at(200)),
}


@pytest.mark.parametrize("fact", LATE_FACTS)
def test_a_late_fact_counts_as_if_it_had_been_known(eventful, shelf, dryer, fact):
    moisture_cache.advance([eventful])
    before = stored(eventful)
    LATE_FACTS[fact](eventful, {"shelf": shelf, "dryer": dryer})
    assert max(stored(eventful), default=START) < max(before)
    moisture_cache.advance([eventful])
    assert moisture_cache.rebuild([eventful]) == []


def test_another_assumption_makes_the_checkpoints_useless(spool, shelf):
    moisture_cache.advance([spool])
    dry = moisture_state.moisture_now(spool).mean_pct
    shelf.assumed_rh_pct = 80
    save_place(shelf)
    assert moisture_state.moisture_now(spool).mean_pct.p50 > dry.p50
    moisture_cache.advance([spool])
    assert moisture_cache.rebuild([spool]) == []


def test_a_fact_added_while_computing_keeps_the_result_from_being_stored(spool, box):
    computed = moisture_cache.compute_advance([spool.pk], at(300))
    moves.move_spool(spool, box, at=at(250))
    assert moisture_cache.store_advance(computed) == 0
    assert not MoistureState.objects.exists()
    assert moisture_cache.advance([spool]) > 0


def test_checkpoints_grow_thin_with_age(spool, clock):
    clock.move_to(at(24 * 120))
    for day in range(0, 121, 3):
        moisture_cache.advance([spool], at(24 * day))
    now = at(24 * 120).replace(minute=0)
    ages = sorted((now - moment).days for moment in stored(spool))
    assert ages[0] == 0
    assert len([age for age in ages if age <= 8]) <= 10
    assert 3 <= len([age for age in ages if age > 8]) <= 5


def test_rebuild_tells_what_was_wrong(spool, capsys):
    moisture_cache.advance([spool])
    call_command("rebuild")
    assert "1 spools rebuilt, 0 changed" in capsys.readouterr().out
    row = spool.moisture_states.last()
    row.memory = bytes(len(row.memory))
    row.save()
    call_command("rebuild")
    assert f"Spool {pretty(spool.code)}: other moisture" in capsys.readouterr().out


def test_thirty_spools_take_as_few_queries_as_one(nylon, shelf, django_assert_max_num_queries):
    spools = [receive(nylon, shelf, at=START) for _ in range(30)]
    moisture_cache.advance(spools)
    with django_assert_max_num_queries(9):
        assert len(moisture_state.moisture_of(spools)) == 30


def test_an_unopened_spool_stays_as_it_came(nylon, bag, shelf):
    spool = receive(nylon, bag, at=START)
    early, late = (moisture_state.moisture_of([spool], at(h))[spool.pk] for h in (0, 250))
    assert early.mean_pct == late.mean_pct
    assert late.exposure_hours == 0
    assert late.why[0].code == "moisture_reason.in_unopened_bag"


def test_a_forecast_stores_nothing_and_meets_what_comes(spool):
    now = moisture_state.moisture_of([spool], at(250))[spool.pk]
    wetter = now.ahead(48, 22, 90)
    assert wetter.outer_pct(100).p50 > now.outer_pct(100).p50
    assert wetter.probability_over(0.0) == 1
    assert wetter.probability_over(30.0, 100) == 0
    assert wetter.at == at(298)
    assert not MoistureState.objects.exists()


@settings(max_examples=6)
@given(
    stops=st.lists(st.integers(1, 299), max_size=5, unique=True),
    wet=st.lists(st.tuples(st.integers(1, 290), st.integers(5, 95)), max_size=6, unique_by=lambda r: r[0]),
)
def test_however_it_is_advanced_the_end_is_the_same(nylon, shelf, box, stops, wet):
    spool = receive(nylon, shelf, at=START)
    Reading.objects.all().delete()
    moves.move_spool(spool, box, at=at(101.5))
    for hour, rh_pct in wet:
        # Readings come one by one, between the steps, early and late.
        moisture_cache.advance([spool], at(stops[hour % len(stops)] if stops else hour))
        record_readings(shelf if hour % 2 else box, [(at(hour), 23, rh_pct)], origin="api")
    for hour in sorted(stops):
        moisture_cache.advance([spool], at(hour))
    moisture_cache.advance([spool])
    assert moisture_cache.rebuild([spool]) == []


def test_a_new_version_deletes_what_another_one_computed(spool):
    invalidation.invalidate_other_versions()
    moisture_cache.advance([spool])
    now = moisture_state.moisture_now(spool).mean_pct
    CacheVersion.objects.update(model_version=invalidation.MODEL_VERSION - 1)
    assert moisture_cache.advance([spool], at(305)) == 0, "a program of another version stores nothing"
    call_command("invalidate_caches", verbosity=0)
    assert not MoistureState.objects.exists()
    assert moisture_state.moisture_now(spool).mean_pct == now
    assert moisture_cache.advance([spool]) > 0
    assert not invalidation.invalidate_other_versions()


def test_spools_that_are_advanced_together_end_as_if_alone(eventful, nylon, pla, shelf, bag):
    others = [
        receive(nylon, shelf, at=at(3)),
        receive(pla, bag, at=at(5), card="wet"),
        receive(pla, shelf, at=at(9)),
    ]
    moisture_cache.advance([eventful, *others])
    together = [stored(spool) for spool in (eventful, *others)]
    for spool in (eventful, *others):
        assert moisture_cache.rebuild([spool]) == []
    assert [stored(spool) for spool in (eventful, *others)] == together


def test_a_time_far_ahead_is_refused_before_it_is_computed(eventful):
    with refuses("too_far_ahead", "at"):
        moisture_state.moisture_of([eventful], at(300 + 24 * 365))
