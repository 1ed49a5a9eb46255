"""Weighings at work in the shop: moisture, amounts, and a cache that is the same however it was filled."""

from datetime import UTC, datetime, timedelta

import pytest
import time_machine

from background.models import WorkItem
from spools.air.climate import record_readings
from spools.drying import runs as drying_runs
from spools.drying.runs import DryingSettings
from spools.inventory import ledger, moves, openings
from spools.inventory.assumptions import save_place
from spools.models import Ensemble
from spools.moisture import assimilation, steps
from spools.moisture import cache as moisture_cache
from spools.moisture import state as moisture_state
from spools.statements import Statement
from tests.spools.conftest import receive

pytestmark = pytest.mark.django_db
START = datetime(2026, 3, 2, 10, 20, tzinfo=UTC)


def at(hours: float) -> datetime:
    return START + timedelta(hours=hours)


@pytest.fixture(autouse=True)
def clock():
    with time_machine.travel(at(300), tick=False) as traveller:
        yield traveller


@pytest.fixture(autouse=True)
def codes(monkeypatch):
    """The same codes in each run, and so the same members: they are seeded from it."""
    known = iter(["K7M4QX", "D9TR2W"])
    monkeypatch.setattr("spools.codes.new_code", lambda: next(known))


@pytest.fixture
def spool(nylon, shelf):
    return receive(nylon, shelf, at=START, sealed=False)


def dried(spool, dryer, place, start, before_g, after_g, hours=16, resolution_g=1.0):
    (run,) = drying_runs.start_drying(
        [spool],
        dryer,
        DryingSettings(80),
        at=at(start),
        gross_g={spool.pk: before_g},
        resolution_g=resolution_g,
    )
    return drying_runs.finish_drying(
        run, place=place, at=at(start + hours), gross_g=after_g, resolution_g=resolution_g
    )


def width(band) -> float:
    return band.p90 - band.p10


def test_loss_on_drying_narrows_the_moisture_before_and_after(spool, shelf, dryer):
    untold = moisture_state.moisture_of([spool], at(100))[spool.pk].mean_pct
    later = moisture_state.moisture_of([spool], at(200))[spool.pk].mean_pct
    dried(spool, dryer, shelf, 100, 1221, 1204)
    told = moisture_state.moisture_of([spool], at(100))[spool.pk].mean_pct
    assert width(told) < 0.8 * width(untold)
    assert width(moisture_state.moisture_of([spool], at(200))[spool.pk].mean_pct) < 0.9 * width(later)


@pytest.mark.parametrize("lost_g", [14, 17])
def test_what_left_in_the_dryer_had_been_in_it(spool, shelf, dryer, lost_g):
    dried(spool, dryer, shelf, 100, 1204 + lost_g, 1204, resolution_g=0.1)
    before, after = (moisture_state.moisture_of([spool], at(h))[spool.pk].mean_pct for h in (100, 116))
    assert before.p10 - after.p90 < lost_g / 10 < before.p90 - after.p10
    assert before.p50 - after.p50 == pytest.approx(lost_g / 10, abs=0.2)


def counted(used: int, count: int) -> Statement:
    return Statement("moisture_reason.weighings", {"used": used, "count": count})


def counts(reasons: list[Statement]) -> list[int]:
    return [reason.values["count"] for reason in reasons if reason.code == "moisture_reason.weighings"]


def unexplained_g(moisture: moisture_state.Moisture) -> list[float]:
    code = "moisture_reason.unexplained_weighing"
    return [reason.values["off_g"] for reason in moisture.why if reason.code == code]


def test_the_moisture_says_what_it_rests_on(spool, shelf):
    assert Statement("moisture_reason.never_weighed") in moisture_state.moisture_now(spool).why
    ledger.weigh(spool, 1216, at=at(50))
    assert counted(1, 1) in moisture_state.moisture_now(spool).why


def test_the_ledger_divides_what_the_scale_said(spool, shelf, dryer):
    plain = ledger.remaining(spool)
    ledger.take(spool, 200, at=at(60))
    dried(spool, dryer, shelf, 100, 1018, 1004)
    moisture_cache.advance([spool])
    amount = ledger.remaining(spool)
    (row,) = Ensemble.objects.all()
    parts = [row.divided[name][1] for name in ("filament", "water", "core")]
    assert 1000 * sum(parts) == pytest.approx(1004, abs=2)
    assert amount.mass_g == pytest.approx(1000 * row.divided["filament"][1])
    assert amount.high_g - amount.low_g < plain.high_g - plain.low_g
    codes = [reason.code for reason in amount.why]
    assert codes == ["amount_reason.weighings_and_moisture", "amount_reason.really_printed"]
    # Printed since: less, and until the next weighing is worked in the last one counts alone.
    ledger.take(spool, 100, at=at(150))
    assert ledger.remaining(spool).mass_g == pytest.approx(amount.mass_g - 100)
    ledger.weigh(spool, 905, at=at(160))
    assert "amount_reason.water_unknown" in [reason.code for reason in ledger.remaining(spool).why]
    moisture_cache.advance([spool])
    assert ledger.remaining(spool).why[0].values["weighings"] == 3


def test_a_print_that_nobody_recorded_is_told_and_does_not_dry_the_spool(spool, shelf):
    ledger.weigh(spool, 1214, at=at(20))
    before = moisture_state.moisture_now(spool).mean_pct
    ledger.weigh(spool, 1150, at=at(120))
    now = moisture_state.moisture_now(spool)
    assert unexplained_g(now) == [pytest.approx(-66, abs=1)]
    assert counted(1, 2) in now.why
    assert now.mean_pct.p50 == pytest.approx(before.p50, abs=0.25)
    moisture_cache.advance([spool])
    assert ledger.remaining(spool).mass_g == pytest.approx(935, abs=20)


def test_a_gain_that_nothing_explains_is_no_print(spool):
    ledger.weigh(spool, 1300, at=at(20))
    now = moisture_state.moisture_now(spool)
    assert len(unexplained_g(now)) == 1 and unexplained_g(now)[0] > 0
    assert counted(0, 1) in now.why


def test_a_cardboard_reel_dries_too(nylon, shelf, dryer):
    """200 g of cardboard hold 10 to 16 g of water (fixtures/reference/README.md)."""
    plain, board = (
        receive(nylon, shelf, at=START, core_material=material, core_cap_c=80)
        for material in ("pp", "cardboard")
    )
    for one in (plain, board):
        dried(one, dryer, shelf, 100, 1216, 1204)
    lost = {}
    for one in (plain, board):
        before, after = (moisture_state.moisture_of([one], at(h))[one.pk].mean_pct for h in (100, 116))
        lost[one.pk] = before.p50 - after.p50
    assert lost[board.pk] < lost[plain.pk] - 0.4


def test_the_order_of_recording_makes_no_difference_to_the_bit(spool, shelf, dryer):
    dried(spool, dryer, shelf, 100, 1221, 1204)
    moisture_cache.advance([spool])
    ledger.weigh(spool, 1216, at=at(20))
    moisture_cache.advance([spool])
    late = stored(spool)
    assert moisture_cache.rebuild([spool]) == []
    assert stored(spool) == late


def stored(spool):
    row = Ensemble.objects.get(spool=spool)
    return bytes(row.points), row.divided, row.last_at


def test_a_late_fact_before_a_weighing_moves_the_members(spool, shelf, dryer):
    dried(spool, dryer, shelf, 100, 1221, 1204)
    moisture_cache.advance([spool])
    before = stored(spool)
    record_readings(shelf, [(at(h), 25, 70) for h in range(30, 90)], origin="file")
    assert not Ensemble.objects.exists() and not spool.moisture_states.exists()
    moisture_cache.advance([spool])
    assert stored(spool)[0] != before[0]
    assert moisture_cache.rebuild([spool]) == []


def test_one_after_the_last_weighing_does_not(spool, shelf, dryer):
    dried(spool, dryer, shelf, 100, 1221, 1204)
    moisture_cache.advance([spool])
    before = stored(spool)
    moves.record_excursion(spool, dryer, at(150), at(151))
    moisture_cache.advance([spool])
    assert stored(spool) == before


def test_another_assumption_works_the_weighings_in_again(spool, shelf, dryer):
    dried(spool, dryer, shelf, 100, 1221, 1204)
    moisture_cache.advance([spool])
    before = stored(spool)
    shelf.assumed_rh_pct = 70
    save_place(shelf)
    assert not Ensemble.objects.exists()
    moisture_cache.advance([spool])
    assert stored(spool)[0] != before[0]
    assert moisture_cache.rebuild([spool]) == []


def test_a_weighing_is_worked_in_without_waiting_for_the_next_round(spool):
    ledger.weigh(spool, 1216, at=at(20))
    assert WorkItem.objects.filter(name="spools.refresh_board").exists()


def test_a_spool_that_came_without_a_net_mass_is_divided_too(nylon, shelf):
    one = receive(nylon, shelf, at=START, net_mass_g=None, gross_g=1210)
    moisture_cache.advance([one])
    assert ledger.remaining(one).mass_g == pytest.approx(1000, abs=25)


def test_a_fact_added_while_weighings_are_worked_in_keeps_the_result_from_being_stored(
    spool, shelf, monkeypatch
):
    ledger.weigh(spool, 1216, at=at(200))
    work_in = assimilation.assimilate

    def meanwhile(*given):
        record_readings(shelf, [(at(h), 25, 80) for h in range(100, 180)], origin="file")
        return work_in(*given)

    with monkeypatch.context() as patched:
        patched.setattr(assimilation, "assimilate", meanwhile)
        computed = moisture_cache.compute_advance([spool.pk], at(300))
    assert moisture_cache.store_advance(computed) == 0
    moisture_cache.advance([spool])
    assert moisture_cache.rebuild([spool]) == []


def test_readings_in_the_hour_of_a_weighing_leave_it_worked_in(spool, shelf, clock):
    clock.move_to(at(300))
    ledger.weigh(spool, 1216, at=at(299.9))
    moisture_cache.advance([spool])
    before = stored(spool)
    record_readings(shelf, [(at(299.95), 23, 60)], origin="api")
    assert stored(spool) == before
    clock.move_to(at(310))
    moisture_cache.advance([spool])
    assert moisture_cache.rebuild([spool]) == []


def test_cardboard_takes_up_nothing_in_an_unopened_bag(nylon, bag, shelf):
    """Sealed and dry for 150 h, then 140 h in the room: the reel's own water explains what it gained."""
    one = receive(nylon, bag, at=START, card="dry", core_material="cardboard")
    ledger.weigh(one, 1206, at=at(150))
    moves.move_spool(one, shelf, at=at(150))
    openings.record_opening(one, at=at(150))
    ledger.weigh(one, 1224, at=at(290))
    assert not unexplained_g(moisture_state.moisture_now(one))
    wetness = assimilation._core_wetness(moisture_state.moisture_now(one).history, [at(150), at(290)])
    assert wetness[0] == pytest.approx(12 / 50 - 1)
    assert abs(wetness[1]) < 0.05


def test_a_weighing_that_arrives_while_a_spool_is_computed_counts_the_next_time(spool, monkeypatch):
    ledger.weigh(spool, 1215, at=at(20))
    load_air = steps.load_air

    def weighed_meanwhile(*arguments):
        ledger.weigh(spool, 1222, at=at(100))
        return load_air(*arguments)

    with monkeypatch.context() as patched:
        patched.setattr(steps, "load_air", weighed_meanwhile)
        why = moisture_state.moisture_of([spool], at(200))[spool.pk].why
    assert counts(why) == [1]
    assert counts(moisture_state.moisture_of([spool], at(200))[spool.pk].why) == [2]
