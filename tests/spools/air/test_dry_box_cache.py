"""The stored air of dry boxes equals the computed air, whatever happened in between."""

from datetime import UTC, datetime, timedelta

import pytest
from django.core.management import call_command
from django.db import connection
from django.db.models import QuerySet
from django.test.utils import CaptureQueriesContext
from hypothesis import given, settings
from hypothesis import strategies as st

from background.models import WorkItem
from background.running import run_due, run_row
from spools import tasks
from spools.air import dry_box_cache, hourly
from spools.air.climate import record_readings
from spools.air.dry_box import boxes_now, put_desiccant
from spools.air.dry_box_facts import complete_boxes
from spools.air.storing import ADVANCE_ROOM
from spools.drying import runs as drying_runs
from spools.drying.runs import DryingSettings
from spools.invalidation import save_assumptions
from spools.inventory import ledger, moves
from spools.inventory.assumptions import save_place
from spools.models import BoxAir, Place, Polymer, Spool
from spools.moisture import cache as moisture_cache
from spools.moisture import state as moisture_state
from tests.spools.air.conftest import NOW_H, at, rh_by_hour
from tests.spools.conftest import feedstock, receive

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("clock")]


def stored_states() -> QuerySet[BoxAir]:
    return BoxAir.objects.filter(state__isnull=False)


def events(box: Place, shelf: Place, dryer: Place, nylon) -> None:
    spool = receive(nylon, shelf, at=at(2), card="wet")
    other = receive(nylon, box, at=at(3))
    moves.move_spool(spool, box, at=at(26.5))
    record_readings(shelf, [(at(h / 2), 21 + h / 100, 40 + h / 9) for h in range(100, 200)], origin="api")
    (run,) = drying_runs.start_drying([spool], dryer, DryingSettings(75), at=at(60))
    drying_runs.finish_drying(run, place=box, at=at(74))
    put_desiccant(box, "silica_gel", 150, condition="new", at=at(90))
    moves.record_excursion(other, shelf, at(100), at(105))


def test_continued_or_in_one_go_the_hours_are_the_same_to_the_bit(charged, shelf, dryer, nylon):
    events(charged, shelf, dryer, nylon)
    whole = rh_by_hour(charged, at(NOW_H))
    for hour in (20, 49.9, 90.5, 91, 122):
        dry_box_cache.advance(at(hour))
    assert stored_states().count() == 5
    for since in (0, 70, 89, 90.9, 130):
        continued = rh_by_hour(charged, at(NOW_H), at(since))
        assert continued == {hour: rh_pct for hour, rh_pct in whole.items() if hour >= min(continued)}
        assert min(continued) <= at(since + 1)
    before = {row.at: row.state for row in stored_states()}
    assert dry_box_cache.rebuild() == []
    for row in stored_states():
        assert before.get(row.at, row.state) == row.state


LATE_FACTS = {
    "a reading of the room": lambda p, s: record_readings(p["shelf"], [(at(60), 25, 85)], origin="file"),
    "a charge": lambda p, s: put_desiccant(p["box"], "clay", 80, condition="new", at=at(60)),
    "a spool came in": lambda p, s: moves.record_excursion(s[2], p["box"], at(60), at(65)),
    "a spool was weighed before it came in": lambda p, s: ledger.weigh(s[1], 700, at=at(1.5)),
    "a spool was received into it": lambda p, s: receive(s[1].feedstock, p["box"], at=at(60), card="wet"),
}


@pytest.mark.parametrize("fact", LATE_FACTS)
def test_a_late_fact_about_a_box_counts_for_all_spools_in_it(charged, shelf, nylon, fact):
    spools = [receive(nylon, charged, at=at(1)), *(receive(nylon, shelf, at=at(1)) for _ in range(2))]
    moves.move_spool(spools[1], charged, at=at(2))
    dry_box_cache.advance()
    moisture_cache.advance(spools)
    LATE_FACTS[fact]({"shelf": shelf, "box": charged}, spools)
    late = at(1.5) if "weighed" in fact else at(60)
    assert not BoxAir.objects.filter(at__gt=late).exists()
    assert not spools[0].moisture_states.filter(at__gt=late).exists()
    dry_box_cache.advance()
    moisture_cache.advance(spools)
    assert moisture_cache.rebuild(spools) == []
    assert dry_box_cache.rebuild() == []


@pytest.mark.parametrize("corrected", ["half-time", "assumed room", "the other spool's material"])
def test_a_corrected_assumption_makes_what_was_stored_useless(charged, shelf, corrected):
    spool = receive(feedstock("PA6"), charged, at=at(1))
    receive(feedstock("PLA"), charged, at=at(2), card="wet")
    dry_box_cache.advance()
    moisture_cache.advance([spool])
    result = moisture_state.moisture_now(spool).mean_pct
    if corrected == "half-time":
        charged.half_time_h = 2
        save_place(charged)
    elif corrected == "assumed room":
        shelf.assumed_rh_pct = 85
        save_place(shelf)
    else:
        polymer = Polymer.objects.get(name="PLA")
        polymer.w50_pct, polymer.w50_high = 3.0, 4.0
        save_assumptions(polymer)
    assert not BoxAir.objects.exists() and not spool.moisture_states.exists()
    assert moisture_state.moisture_now(spool).mean_pct != result
    dry_box_cache.advance()
    moisture_cache.advance([spool])
    assert moisture_cache.rebuild([spool]) == []
    assert dry_box_cache.rebuild() == []


@settings(max_examples=3)
@given(
    moved=st.lists(st.tuples(st.integers(2, 140), st.booleans()), max_size=3, unique_by=lambda m: m[0]),
    stops=st.lists(st.integers(1, 149), max_size=2),
)
def test_however_it_is_advanced_box_and_spool_end_the_same(charged, shelf, nylon, moved, stops):
    spool = receive(nylon, charged, at=at(1))
    guest = receive(nylon, shelf, at=at(1))
    for n, (hour, inside) in enumerate(sorted(moved)):
        moves.move_spool(guest, charged if inside else shelf, at=at(hour))
        for stop in stops[n : n + 1]:
            dry_box_cache.advance(at(stop))
            moisture_cache.advance([spool, guest], at(stop))
    dry_box_cache.advance()
    moisture_cache.advance([spool, guest])
    assert moisture_cache.rebuild([spool, guest]) == []
    assert dry_box_cache.rebuild() == []


def test_the_rebuild_command_reports_boxes(charged, capsys):
    dry_box_cache.advance()
    call_command("rebuild")
    assert "The air of dry boxes computed again, 0 changed" in capsys.readouterr().out
    row = stored_states().last()
    row.state = row.state | {"water_kg": 1.0}
    row.save()
    call_command("rebuild")
    assert "Dry box: other air on" in capsys.readouterr().out


def test_the_background_work_stores_it(charged):
    tasks.queue_advances()
    run_due()
    assert stored_states().filter(place=charged).count() == 6


def test_a_fact_added_while_computing_keeps_the_states_from_being_stored(charged, shelf, nylon):
    computed = dry_box_cache.compute_advance(at(NOW_H))
    receive(nylon, charged, at=at(100))
    assert dry_box_cache.store_advance(computed) == 0
    computed = dry_box_cache.compute_advance(at(NOW_H))
    record_readings(shelf, [(at(90), 22, 70)], origin="file")
    assert dry_box_cache.store_advance(computed) == 0
    assert dry_box_cache.advance() == 1 + NOW_H // 6


def test_many_boxes_take_as_many_queries_as_few(shelf, nylon):
    counts = []
    for number in (2, 3):
        for n in range(number):
            name = f"Box {number} {n}"
            box = Place.objects.create(
                name=name, kind="dry_box", assumed_rh_pct=15, room=shelf, volume_l=30, half_time_h=33
            )
            put_desiccant(box, "silica_gel", 100, condition="new", at=at(n))
            receive(nylon, box, at=at(20 + n))
            record_readings(box, [(at(NOW_H - 1), 22, 20)], origin="api")
        for load in (
            lambda: dry_box_cache.store_advance(dry_box_cache.compute_advance(at(NOW_H), from_scratch=True)),
            lambda: dry_box_cache.compute_advance(at(NOW_H)),
            lambda: boxes_now(complete_boxes(), at(NOW_H)),
        ):
            with CaptureQueriesContext(connection) as queries:
                load()
            counts.append(len(queries))
    assert counts[:3] == counts[3:]


def as_rows(box: dry_box_cache.ComputedBox) -> list[tuple]:
    return [(air.place_id, air.at, air.temperature_c, air.rh_pct, air.state) for air in box.airs]


def test_starts_are_grouped_and_the_rows_are_the_same(charged, shelf, dryer, nylon, monkeypatch):
    """One condition for many boxes instead of one each, which SQLite would refuse for a thousand."""
    events(charged, shelf, dryer, nylon)
    dry_box_cache.advance(at(91))
    second = Place.objects.create(
        name="Second", kind="dry_box", assumed_rh_pct=15, room=shelf, volume_l=20, half_time_h=50
    )
    put_desiccant(second, "silica_gel", 50, condition="new", at=at(40))
    receive(nylon, second, at=at(50))
    spans = {charged: (at(95), at(NOW_H)), second: (at(45), at(NOW_H - 3))}
    alone = dry_box_cache.load_series(spans)
    computed = dry_box_cache.compute_advance(at(NOW_H))
    monkeypatch.setattr(hourly, "MOST_STARTS", 0)
    together = dry_box_cache.load_series(spans)
    assert {pk: series.samples for pk, series in together.items()} == {
        pk: series.samples for pk, series in alone.items()
    }
    again = dry_box_cache.compute_advance(at(NOW_H))
    assert [as_rows(box) for box in again] == [as_rows(box) for box in computed]


@given(st.dictionaries(st.integers(1, 500), st.floats(0, 9e4).map(at), max_size=400), st.floats(0, 9e4))
def test_groups_of_starts_are_few_and_none_is_later_than_its_own(starts, until_h):
    groups = hourly.group_by_start(starts, max([at(until_h), *starts.values()]))
    assert {pk for ids in groups.values() for pk in ids} == set(starts)
    assert all(start <= starts[pk] for start, ids in groups.items() for pk in ids)
    assert len(groups) <= hourly.MOST_STARTS


def test_a_late_reading_has_the_boxes_of_its_room_stored_again(charged, shelf):
    dry_box_cache.advance()
    record_readings(shelf, [(at(90), 22, 70)], origin="file")
    assert dry_box_cache.find_behind([charged.pk], at(NOW_H)) == [charged.pk]
    tasks.advance_boxes_in_room(shelf.pk, tasks._compute_room(shelf.pk))
    assert dry_box_cache.find_behind([charged.pk], at(NOW_H)) == []
    assert dry_box_cache.rebuild() == []


def test_a_reading_while_the_boxes_of_its_room_are_computed_is_followed_by_more_work(
    charged, shelf, monkeypatch
):
    compute, late_hours = dry_box_cache.compute_advance, [80]

    def interrupted(*arguments):
        computed = compute(*arguments)
        while late_hours:
            record_readings(shelf, [(at(late_hours.pop()), 22, 70)], origin="file")
        return computed

    record_readings(shelf, [(at(90), 22, 70)], origin="file")
    monkeypatch.setattr(dry_box_cache, "compute_advance", interrupted)
    work = WorkItem.objects.filter(name=ADVANCE_ROOM)
    for number in (1, 2):
        waiting = work.get(state=WorkItem.State.QUEUED)
        assert run_row(waiting.pk, waiting.name)
        assert charged.airs.exists() == (number == 2)
    assert set(work.values_list("state", flat=True)) == {WorkItem.State.DONE}
    assert dry_box_cache.find_behind([charged.pk], at(NOW_H)) == []


def stored_samples(box: Place) -> dict[datetime, tuple]:
    rows = box.airs.values_list("at", "temperature_c", "rh_pct")
    return {when: tuple(row) for when, *row in rows}


def test_spools_take_the_stored_air_and_it_is_what_is_computed(charged, shelf, dryer, nylon, monkeypatch):
    events(charged, shelf, dryer, nylon)
    spools = list(Spool.objects.all())
    computed = {spool.pk: moisture_state.moisture_now(spool).mean_pct for spool in spools}
    for hour in (20, 49.9, 90.5, 91, 122):
        dry_box_cache.advance(at(hour))
    dry_box_cache.advance()
    continued = stored_samples(charged)
    hours = rh_by_hour(charged, at(NOW_H))
    assert {when: row[1] for when, row in continued.items()} == {when: hours[when] for when in continued}
    # Every quarter of a day, and the hour after each charge.
    assert len(continued) == 2 + NOW_H // 6 and at(91).replace(minute=0) in continued
    monkeypatch.setattr(dry_box_cache, "load_facts", lambda *_: pytest.fail("the box was loaded"))
    assert {spool.pk: moisture_state.moisture_now(spool).mean_pct for spool in spools} == computed
    monkeypatch.undo()
    assert dry_box_cache.rebuild() == []
    assert stored_samples(charged) == continued


def test_the_air_of_the_present_hour_is_stored_until_its_next_reading(charged, shelf, clock):
    noon = datetime(2026, 3, 8, 12, tzinfo=UTC)
    clock.move_to(noon + timedelta(minutes=30))
    dry_box_cache.advance()
    assert max(stored_samples(charged)) == noon
    for minutes, temperature_c, mean_c in ((20, 25, 25), (50, 27, 26)):
        record_readings(shelf, [(noon + timedelta(minutes=minutes), temperature_c, 70)], origin="file")
        assert max(stored_samples(charged)) < noon
        # Also by a clock that was set back.
        dry_box_cache.advance(noon + timedelta(minutes=1))
        assert stored_samples(charged)[noon][0] == mean_c
        assert dry_box_cache.rebuild() == []
        clock.shift(timedelta(hours=1))


def test_an_assumption_that_does_not_concern_a_box_leaves_what_is_stored(charged, nylon):
    receive(nylon, charged, at=at(1))
    dry_box_cache.advance()
    rows = set(charged.airs.values_list("pk", flat=True))
    far = save_place(Place(name="Far shelf", kind="shelf"))
    far.assumed_rh_pct = 70
    save_place(far)
    assert set(charged.airs.values_list("pk", flat=True)) == rows


def test_a_correction_leaves_the_generation_of_a_box(charged, nylon):
    read_before = Place.objects.get(pk=charged.pk)
    computed = dry_box_cache.compute_advance(at(NOW_H))
    receive(nylon, charged, at=at(100))
    read_before.limit_rh_pct = 25
    save_place(read_before)
    assert dry_box_cache.store_advance(computed) == 0
