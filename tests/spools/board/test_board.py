"""The board holds what would be computed anew, and no fact leaves it stale."""

from datetime import UTC, datetime, timedelta

import pytest
import time_machine
from django.utils import timezone

from background.models import WorkItem
from background.running import run_due
from spools.air.climate import record_readings
from spools.air.dry_box import put_desiccant
from spools.board import advising, board
from spools.drying import runs as drying_runs
from spools.drying.runs import DryingSettings
from spools.invalidation import invalidate_advice
from spools.inventory import endings, ledger, moves
from spools.inventory.assumptions import save_feedstock, save_place
from spools.models import Ensemble, MoistureState, Place, SpoolBoard
from spools.moisture import cache as moisture_cache
from spools.moisture import state as moisture_state
from spools.physics_inputs import SMALL_JOB_G, ConstantAir, Interval, compute_wettest_turns
from tests.spools.conftest import receive
from tests.spools.drying.test_advice import accept

pytestmark = pytest.mark.django_db
START = datetime(2026, 3, 2, 10, 20, tzinfo=UTC)
NOW_H = 100


def at(hours: float) -> datetime:
    return START + timedelta(hours=hours)


@pytest.fixture(autouse=True)
def clock():
    with time_machine.travel(at(NOW_H), tick=False) as traveller:
        yield traveller


def from_scratch(spool) -> dict[str, object]:
    """The row computed from the facts alone, whatever is stored."""
    MoistureState.objects.all().delete()
    Ensemble.objects.all().delete()
    (row,) = board.compute([spool.pk], timezone.now()).rows
    return board.values_of(row)


def read(spool) -> dict[str, object]:
    return board.values_of(board.read([spool.pk])[spool.pk])


def is_fresh(spool) -> bool:
    return spool.pk not in board.find_stale(timezone.now())


def test_a_row_holds_the_moisture_of_the_outer_turns(nylon, pla, shelf, bag, django_assert_num_queries):
    spools = [receive(nylon, shelf, at=START), receive(pla, shelf, at=at(3)), receive(pla, bag, at=at(5))]
    ledger.take(spools[0], 200, at=at(50))
    assert board.refresh([spool.pk for spool in spools]) == 3
    with django_assert_num_queries(4):
        rows = board.read()
    for pk, moisture in moisture_state.moisture_of(spools).items():
        row, feedstock = rows[pk], moisture.history.spool.feedstock
        assert (row.p10_pct, row.p50_pct, row.p90_pct) == moisture.outer_pct(SMALL_JOB_G)
        assert row.over_clear == moisture.probability_over(feedstock.polymer.limit_clear_pct, SMALL_JOB_G)
        assert row.mass_g == moisture.history.remaining().mass_g
    assert rows[spools[2].pk].prints_well_until is None, "an unopened bag takes up nothing"
    assert board.rebuild() == []
    assert {pk: board.values_of(row) for pk, row in rows.items()} == {
        pk: board.values_of(row) for pk, row in board.read().items()
    }


@pytest.mark.parametrize("is_stored", [False, True])
def test_a_row_that_a_worker_stores_while_it_is_read_is_not_missed(nylon, shelf, monkeypatch, is_stored):
    spool = receive(nylon, shelf, at=START)
    if is_stored:
        board.refresh([spool.pk])
        ledger.take(spool, 200, at=at(50))
    one = board._ONE

    class Overtaken:
        def run(self, **values):
            rows = one.run(**values)
            board.refresh([spool.pk])
            return rows

    monkeypatch.setattr(board, "_ONE", Overtaken())
    assert read(spool) == from_scratch(spool)


FACTS = {
    "a print": lambda s, p: ledger.take(s, 20),
    "a weighing": lambda s, p: ledger.weigh(s, 1100),
    "a move": lambda s, p: moves.move_spool(s, p["box"]),
    "a drying run": lambda s, p: drying_runs.start_drying([s], p["dryer"], DryingSettings(75)),
    "a late print": lambda s, p: ledger.take(s, 20, at=at(30)),
    "a late reading": lambda s, p: record_readings(p["shelf"], [(at(30), 25, 90)], origin="file"),
    "another air now": lambda s, p: record_readings(p["shelf"], [(at(NOW_H), 25, 90)], origin="file"),
}


@pytest.mark.parametrize("fact", FACTS)
def test_a_fact_makes_its_spool_stale_and_wakes_the_worker(nylon, shelf, box, dryer, fact):
    spool, other = receive(nylon, shelf, at=START), receive(nylon, box, at=START)
    run_due()
    assert is_fresh(spool) and is_fresh(other)
    FACTS[fact](spool, {"shelf": shelf, "box": box, "dryer": dryer})
    assert board.find_stale(timezone.now()) == [spool.pk]
    # What is in the dryers changes the advice of the other.
    assert advising.find_unadvised(timezone.now()) == ([other.pk] if fact == "a drying run" else [])
    assert WorkItem.objects.filter(name="spools.refresh_board", state="queued").exists()
    run_due()
    assert is_fresh(spool)
    stored = board.values_of(SpoolBoard.objects.get(pk=spool.pk))
    assert stored == from_scratch(spool)


@pytest.mark.parametrize("fact", FACTS)
def test_a_reader_computes_what_is_stale(nylon, shelf, box, dryer, fact):
    spool = receive(nylon, shelf, at=START)
    before = read(spool)
    FACTS[fact](spool, {"shelf": shelf, "box": box, "dryer": dryer})
    row = read(spool)
    assert row != before
    assert is_fresh(spool)
    assert row == from_scratch(spool)


def test_readings_like_those_before_keep_the_row(nylon, shelf, box):
    record_readings(shelf, [(at(NOW_H - 1), 22, 50)], origin="api")
    spool = receive(nylon, shelf, at=START)
    row = read(spool)
    record_readings(shelf, [(at(NOW_H), 22.5, 51)], origin="api")
    assert is_fresh(spool)
    assert read(spool)["computed_at"] == row["computed_at"]
    record_readings(shelf, [(at(NOW_H) - timedelta(minutes=1), 22.5, 58)], origin="api")
    assert not is_fresh(spool)


def test_a_stale_row_stays_stale_whatever_is_read(nylon, shelf):
    record_readings(shelf, [(at(NOW_H - 1), 22, 50)], origin="api")
    spool = receive(nylon, shelf, at=START)
    board.refresh([spool.pk])
    ledger.take(spool, 20)
    record_readings(shelf, [(at(NOW_H), 22, 50)], origin="api")
    assert not is_fresh(spool)


def test_another_assumption_makes_all_stale(nylon, shelf):
    spool = receive(nylon, shelf, at=START)
    board.refresh([spool.pk])
    shelf.assumed_rh_pct = 90
    save_place(shelf)
    assert read(spool) == from_scratch(spool)
    nylon.limit_clear_pct = 0.01
    save_feedstock(nylon, "Example Works")
    assert read(spool)["over_clear"] == 1


def test_numbers_on_which_no_answer_rests_leave_it_fresh(nylon, shelf):
    spool = receive(nylon, shelf, at=START)
    board.refresh([spool.pk])
    shelf.name, nylon.reorder_point_g = "Shelf by the door", 500
    save_place(shelf)
    save_feedstock(nylon, "Example Works")
    assert is_fresh(spool)


def test_the_desiccant_of_its_box_counts_too(nylon, shelf):
    box = Place.objects.create(name="Cabinet", kind="dry_box", room=shelf, volume_l=50, half_time_h=30)
    put_desiccant(box, "silica_gel", 200, condition="new", at=START)
    spool = receive(nylon, box, at=at(1))
    board.refresh([spool.pk])
    put_desiccant(box, "silica_gel", 0, condition="unknown", at=at(40))
    assert not is_fresh(spool)
    assert read(spool) == from_scratch(spool)


@pytest.mark.parametrize(
    ("fact", "changes_air"),
    [
        (lambda spool, shelf: moves.move_spool(spool, shelf, at=at(NOW_H - 2)), False),
        (lambda spool, shelf: moves.move_spool(spool, shelf, at=at(NOW_H - 3)), True),
        (lambda spool, shelf: ledger.weigh(spool, 900, at=at(30)), False),
        (lambda spool, shelf: moves.record_excursion(spool, shelf, at(30), at(31)), True),
    ],
)
def test_a_spool_makes_others_in_its_box_stale_where_they_breathed_other_air(nylon, shelf, fact, changes_air):
    """The air of the box is that of noon, at NOW_H - 2.33, until the next sample."""
    box = Place.objects.create(name="Cabinet", kind="dry_box", room=shelf, volume_l=5, half_time_h=30)
    put_desiccant(box, "silica_gel", 50, condition="new", at=START)
    spool, other = receive(nylon, box, at=at(1)), receive(nylon, box, at=at(1))
    board.refresh([spool.pk, other.pk])
    before = SpoolBoard.objects.get(pk=other.pk)
    fact(spool, shelf)
    assert board.find_stale(timezone.now()) == [spool.pk] + [other.pk] * changes_air
    after = from_scratch(other)
    assert (after["p50_pct"] != before.p50_pct) == changes_air
    assert read(other) == after


def test_a_late_print_that_opens_a_bag_in_a_box_makes_the_others_stale(nylon, shelf):
    box = Place.objects.create(name="Cabinet", kind="dry_box", room=shelf, volume_l=5, half_time_h=30)
    put_desiccant(box, "silica_gel", 50, condition="new", at=START)
    bagged = receive(nylon, box, at=at(1), sealed=True)
    other = receive(nylon, box, at=at(1), sealed=False)
    board.refresh([bagged.pk, other.pk])
    ledger.take(bagged, 20, at=at(30))
    assert board.find_stale(timezone.now()) == [bagged.pk, other.pk]


def test_a_row_is_stale_when_its_own_forecast_crosses_a_limit(nylon, shelf, dryer, clock):
    """Dried nylon on a shelf prints well for some hours; at that minute, not hours later, its state changes."""
    spool = receive(nylon, shelf, at=START)
    moves.move_spool(spool, dryer, at=at(40))
    drying_runs.start_drying([spool], dryer, DryingSettings(75), at=at(41))
    (run,) = spool.drying_runs.all()
    drying_runs.finish_drying(run, place=shelf, at=at(NOW_H - 0.1))
    row = board.read([spool.pk])[spool.pk]
    assert row.state == SpoolBoard.State.CLEAR
    assert row.prints_well_until is not None
    while row.good_until < row.prints_well_until:
        clock.move_to(row.good_until)
        row = board.read([spool.pk])[spool.pk]
        assert row.computed_at == timezone.now()
    clock.move_to(row.good_until - timedelta(seconds=1))
    assert is_fresh(spool)
    clock.move_to(row.good_until + timedelta(minutes=10))
    assert not is_fresh(spool)
    assert board.read([spool.pk])[spool.pk].state == SpoolBoard.State.CAUTION


def test_in_each_hour_a_sixth_of_the_spools_have_their_turn(pla, shelf, clock):
    spools = [receive(pla, shelf, at=START) for _ in range(12)]
    board.refresh([spool.pk for spool in spools])
    for _ in range(12):
        clock.shift(timedelta(hours=1))
        ids = board.find_due(timezone.now())
        assert len(ids) == 2
        board.refresh(ids)
        assert board.find_due(timezone.now()) == []
    clock.shift(timedelta(hours=6))
    assert len(board.find_due(timezone.now())) == 12


def test_rows_stored_by_a_fast_clock_are_ignored(nylon, shelf, clock):
    spool = receive(nylon, shelf, at=START)
    board.refresh([spool.pk], at(NOW_H + 700))
    assert not is_fresh(spool)
    assert read(spool) == from_scratch(spool)


def test_of_too_many_stale_rows_the_reader_shows_the_age(pla, shelf, clock, monkeypatch):
    monkeypatch.setattr(board, "AT_ONCE", 2)
    spools = [receive(pla, shelf, at=START) for _ in range(3)]
    run_due()
    clock.shift(timedelta(hours=9))
    WorkItem.objects.all().delete()
    rows = board.read()
    assert {row.computed_at for row in rows.values()} == {at(NOW_H)}
    assert WorkItem.objects.filter(name="spools.refresh_board").exists()
    assert board.read([spools[0].pk])[spools[0].pk].computed_at == timezone.now()


def test_a_fact_during_a_computation_is_not_lost(nylon, shelf):
    spool, other = receive(nylon, shelf, at=START), receive(nylon, shelf, at=START)
    computed = board.compute([spool.pk, other.pk], timezone.now())
    ledger.take(spool, 200)
    assert board.store(computed) == 1
    assert board.find_stale(timezone.now()) == [spool.pk]
    assert read(spool) == from_scratch(spool)


def test_a_fact_while_the_woken_worker_computes_is_seen_to(nylon, shelf, monkeypatch):
    spool = receive(nylon, shelf, at=START)
    compute = board.compute

    def slowly(ids, now):
        computed = compute(ids, now)
        if spool.mass_entries.filter(kind="printed").count() == 0:
            ledger.take(spool, 200)
        return computed

    monkeypatch.setattr(board, "compute", slowly)
    run_due()
    assert is_fresh(spool)
    assert board.values_of(SpoolBoard.objects.get(pk=spool.pk)) == from_scratch(spool)


def test_a_failure_while_storing_leaves_nothing_half_written(nylon, shelf, monkeypatch):
    spool = receive(nylon, shelf, at=START)
    computed = board.compute([spool.pk], timezone.now())
    assert computed.moisture.checkpoints

    def fail(*_args, **_options):
        raise RuntimeError("out of memory")

    monkeypatch.setattr(SpoolBoard.objects, "bulk_create", fail)
    with pytest.raises(RuntimeError):
        board.store(computed)
    assert not MoistureState.objects.exists()
    assert not SpoolBoard.objects.exists()


def test_an_empty_spool_has_no_row(pla, shelf):
    spool = receive(pla, shelf, at=START)
    board.refresh([spool.pk])
    endings.end_spool(spool)
    assert board.read() == {}
    assert board.find_due(timezone.now()) == []
    board.refresh([spool.pk])
    assert not SpoolBoard.objects.exists()


def test_each_air_of_the_printers_has_its_outlook(nylon, shelf):
    for name, rh_pct in (("One", 30), ("Two", 30.6), ("Damp", 70)):
        Place.objects.create(name=name, kind="printer", assumed_temperature_c=22, assumed_rh_pct=rh_pct)
    spool = receive(nylon, shelf, at=START)
    row = board.read([spool.pk])[spool.pk]
    assert [(air.temperature_c, air.rh_pct) for air in row.outlooks] == [(22, 30), (22, 70)]
    dry, damp = row.outlooks
    assert dry.printed_p50_pct < damp.printed_p50_pct
    assert row.outlook(22.3, 33, False) == dry
    assert row.outlook(22.3, 99, False) == damp
    now = moisture_state.moisture_now(spool)
    expected = now.ahead(1, 22, 70).outer_pct(SMALL_JOB_G)
    assert (damp.printed_p10_pct, damp.printed_p50_pct, damp.printed_p90_pct) == pytest.approx(
        tuple(expected), rel=4e-3
    )
    job = compute_wettest_turns(now.winding, SMALL_JOB_G, ConstantAir(2, 22, 70))
    assert damp.printed_p50_pct == pytest.approx(Interval.from_members(job.contents_pct).p50, rel=0.02)


def test_another_printer_or_other_air_at_one_makes_all_rows_stale(nylon, shelf):
    spool = receive(nylon, shelf, at=START)
    assert board.read([spool.pk])[spool.pk].outlooks == []
    printer = save_place(Place(name="One", kind="printer", assumed_temperature_c=22, assumed_rh_pct=30))
    assert [air.rh_pct for air in board.read([spool.pk])[spool.pk].outlooks] == [30]
    printer.assumed_rh_pct = 60
    save_place(printer)
    assert [air.rh_pct for air in board.read([spool.pk])[spool.pk].outlooks] == [60]


def test_deleted_caches_are_computed_again(nylon, shelf, clock):
    spool = receive(nylon, shelf, at=START)
    ledger.weigh(spool, 1100, at=at(60))
    board.refresh([spool.pk])
    Ensemble.objects.all().delete()
    clock.shift(timedelta(hours=9))
    board.refresh([spool.pk])
    assert Ensemble.objects.filter(spool=spool).exists()
    assert moisture_cache.rebuild([spool]) == []


@pytest.fixture
def many_wet(nylon, shelf, dryer, monkeypatch):
    """More wet spools than get their advice with their rows."""
    monkeypatch.setattr(advising, "AT_ONCE", 2)
    return [receive(nylon, shelf, at=START) for _ in range(3)]


def test_the_advice_of_many_spools_follows_their_rows(many_wet):
    ids = [spool.pk for spool in many_wet]
    board.refresh(ids)
    assert [row.advice for row in board.read().values()] == [advising.PENDING] * 3, "too many for a reader"
    assert WorkItem.objects.filter(name="spools.refresh_board").exists()
    run_due()
    rows = SpoolBoard.objects.in_bulk()
    assert {row.advice.code for row in rows.values()} == {"advice.dry"}
    assert all(row.ready_at > timezone.now() for row in rows.values())
    for pk in ids:
        (expected,) = board.compute([pk], timezone.now()).rows
        assert board.values_of(rows[pk])["advice"] == board.values_of(expected)["advice"]


def test_a_reader_computes_the_advice_of_a_few(many_wet):
    board.refresh([spool.pk for spool in many_wet])
    row = board.read([many_wet[0].pk])[many_wet[0].pk]
    assert row.advice.code == "advice.dry"
    assert SpoolBoard.objects.get(pk=many_wet[0].pk).advice == row.advice
    assert SpoolBoard.objects.get(pk=many_wet[1].pk).advice == advising.PENDING


def test_an_advice_stays_with_its_row_until_it_is_stale(nylon, shelf, dryer, clock, monkeypatch):
    spool = receive(nylon, shelf, at=START)
    advice = read(spool)["advice"]
    monkeypatch.setattr(advising, "AT_ONCE", 0)
    clock.shift(timedelta(minutes=30))
    board.refresh([spool.pk])
    assert read(spool)["advice"] == advice, "nothing was recorded"
    ledger.take(spool, 20)
    board.refresh([spool.pk])
    assert SpoolBoard.objects.get(pk=spool.pk).advice == advising.PENDING


def test_a_dried_spool_that_got_wet_is_advised_anew(nylon, shelf, dryer, clock, monkeypatch):
    spool = receive(nylon, shelf, at=START)
    moves.move_spool(spool, dryer, at=at(40))
    (run,) = drying_runs.start_drying([spool], dryer, DryingSettings(80), at=at(41))
    drying_runs.finish_drying(run, place=shelf, at=at(NOW_H))
    assert read(spool)["advice"]["code"] == "advice.none_needed"
    monkeypatch.setattr(advising, "AT_ONCE", 0)
    clock.shift(timedelta(days=20))
    board.refresh([spool.pk])
    assert advising.find_unadvised(timezone.now()) == [spool.pk]


def test_the_advice_alone_is_stale_when_a_dryer_changes_or_its_time_passes(nylon, shelf, dryer, clock):
    spool = receive(nylon, shelf, at=START)
    before = read(spool)
    clock.shift(timedelta(hours=1, minutes=15))
    assert is_fresh(spool)
    assert advising.find_unadvised(timezone.now()) == [spool.pk]
    assert read(spool)["ready_at"] > before["ready_at"]
    assert advising.find_unadvised(timezone.now()) == []
    dryer.max_set_point_c = 60
    save_place(dryer)
    assert is_fresh(spool)
    assert advising.find_unadvised(timezone.now()) == [spool.pk]
    after = read(spool)
    assert after["advice"] != before["advice"] and after["computed_at"] == before["computed_at"]


def test_advice_from_before_a_fact_is_not_stored(nylon, shelf, dryer):
    spool, other = receive(nylon, shelf, at=START), receive(nylon, shelf, at=START)
    board.refresh([spool.pk, other.pk])
    computed = advising.compute([spool.pk, other.pk], advising.AdvisedShop.load(timezone.now()))
    ledger.take(spool, 20)
    assert advising.store(computed) == 1
    invalidate_advice()
    assert advising.store(computed) == 0


def test_an_accepted_plan_is_the_advice_also_for_a_dry_spool(pla, bag, dryer):
    spool, other = receive(pla, bag, at=START, card="dry"), receive(pla, bag, at=START, card="dry")
    assert [read(row)["advice"]["code"] for row in (spool, other)] == ["advice.none_needed"] * 2
    planned = accept(spool, dryer, timezone.now() + timedelta(hours=3), 4)
    assert advising.find_unadvised(timezone.now()) == [spool.pk]
    assert read(spool)["advice"]["code"] == "advice.planned"
    assert advising.find_unadvised(timezone.now()) == []
    planned.ended_at = timezone.now()
    planned.save()
    invalidate_advice()
    assert advising.find_unadvised(timezone.now()) == [spool.pk]
    assert read(spool)["advice"]["code"] == "advice.none_needed"
