"""Drying runs that are entered late, corrected and withdrawn, and what follows from them."""

from datetime import UTC, datetime, timedelta

import pytest
import time_machine

from spools.air import dry_box_cache
from spools.air.dry_box import put_desiccant
from spools.board import board
from spools.drying.past_runs import correct_run, record_past_run
from spools.drying.runs import DryingSettings, finish_drying, start_drying
from spools.facts import withdraw
from spools.inventory import moves
from spools.models import BoxAir, DryingRun, MoistureState
from spools.moisture import cache as moisture_cache
from spools.moisture import state as moisture_state
from spools.wording import format_time
from tests.refusals import refuses
from tests.spools.conftest import receive

pytestmark = pytest.mark.django_db
START = datetime(2026, 3, 2, 10, 20, tzinfo=UTC)


def at(hours: float) -> datetime:
    return START + timedelta(hours=hours)


@pytest.fixture(autouse=True)
def clock():
    with time_machine.travel(at(200), tick=False) as traveller:
        yield traveller


@pytest.fixture
def nylon_spool(nylon, shelf):
    return receive(nylon, shelf, at=START)


def places(spool):
    return [(stay.place.name, stay.start, stay.end) for stay in spool.stays.select_related("place")]


def record(spool, dryer, start, end, set_point_c=70.0, **options):
    return record_past_run(spool, dryer, DryingSettings(set_point_c), (at(start), at(end)), **options)


def test_a_past_run_lies_before_a_later_one_beside_a_cooler_spool(nylon_spool, pla, shelf, dryer):
    late = receive(pla, shelf, at=START)
    start_drying([late], dryer, DryingSettings(45), at=at(150))
    run = record(nylon_spool, dryer, 100, 112, gross_g=(1190, 1182))
    assert run.hold is None and run.entered_late and run.cap_c >= 70
    assert (run.before.at, run.after.at) == (at(100), at(112))
    assert places(nylon_spool) == [
        ("Open shelf", START, at(100)),
        ("Dryer", at(100), at(112)),
        ("Open shelf", at(112), None),
    ]


def test_a_run_above_the_cap_happened_all_the_same(pla, shelf, dryer):
    spool = receive(pla, shelf, at=START)
    run = record(spool, dryer, 100, 104, 70.0)
    assert run.set_point_c > run.cap_c and run.hold == run.cap_reason
    assert moisture_state.moisture_of([spool], at(104))[spool.pk].heat_hours > 0


def test_what_does_not_fit_is_named(nylon_spool, pla, shelf, box, dryer):
    other = receive(pla, shelf, at=START)
    record(other, dryer, 50, 60, 45.0)
    with refuses("other_set_point_then", "set_point_c", names=["45", format_time(at(50))]):
        record(nylon_spool, dryer, 55, 65)
    moves.record_excursion(other, dryer, at(90), at(110))
    with refuses("spool_in_dryer_then", "start", names=[format_time(at(90))]):
        record(nylon_spool, dryer, 100, 112)
    moves.record_excursion(nylon_spool, box, at(130), at(140))
    with refuses("overlaps_move", names=["Dry box", format_time(at(130))]):
        record(nylon_spool, dryer, 120, 135)
    record(nylon_spool, dryer, 150, 160)
    with refuses("in_a_run_then", names=[format_time(at(160))]):
        record(nylon_spool, dryer, 155, 165)
    with refuses("end_before_start", "end"):
        record(nylon_spool, dryer, 30, 20)


def test_a_run_is_corrected_with_its_moves_and_weighings(nylon_spool, box, dryer):
    (run,) = start_drying([nylon_spool], dryer, DryingSettings(70), at=at(100))
    with refuses("end_of_run", "end"):
        correct_run(run, start=at(99), end=at(110))
    run = correct_run(run, start=at(98))
    assert run.end is None and places(nylon_spool)[-1] == ("Dryer", at(98), None)
    run = finish_drying(run, place=box, at=at(110), gross_g=1190)
    right = correct_run(run, start=at(99), end=at(112))
    assert right.after.gross_g == 1190
    assert places(nylon_spool)[1:] == [("Dryer", at(99), at(112)), ("Dry box", at(112), None)]
    assert list(DryingRun.objects.all()) == [right] and DryingRun.recorded.count() == 3
    withdraw(right, reason="another spool")
    assert places(nylon_spool) == [("Open shelf", START, None)]
    with refuses("withdrawn_already"):
        finish_drying(right, place=box)


def numbers(spools) -> list:
    """All that is shown of the spools, computed with what is stored."""
    moistures = moisture_state.moisture_of(spools, at(200))
    shown = [(row.mean_pct, row.shells, row.exposure_hours, row.heat_hours) for row in moistures.values()]
    rows = [board.values_of(row) for row in board.compute([spool.pk for spool in spools], at(200)).rows]
    return shown + [{name: row[name] for name in row if "generation" not in name} for row in rows]


FACTS = {
    "a past stay": lambda s, p: (
        moves.record_excursion(s, p["box"], at(60), at(70)) and s.moves.get(at=at(60))
    ),
    "a past move": lambda s, p: moves.record_excursion(s, p["box"], at(110)) and s.moves.get(at=at(110)),
    "a move": lambda s, p: moves.record_move(s, p["shelf"], at=at(190)),
    "a past run": lambda s, p: record(s, p["dryer"], 60, 70),
    "a run": lambda s, p: start_drying([s], p["dryer"], DryingSettings(70), at=at(185))[0],
}


@pytest.mark.parametrize("kind", FACTS)
def test_after_a_withdrawal_all_numbers_are_those_of_before(nylon_spool, nylon, shelf, box, dryer, kind):
    box.room, box.volume_l, box.half_time_h = shelf, 40, 90
    box.save()
    put_desiccant(box, kind="silica_gel", dry_mass_g=40, condition="regenerated", regenerated_c=120, at=START)
    beside = receive(nylon, box, at=START)
    moves.move_spool(nylon_spool, box, at=at(120))
    record(beside, dryer, 62, 75)
    spools = [nylon_spool, beside]
    moisture_cache.advance(spools, at(200))
    before = numbers(spools)
    fact = FACTS[kind](nylon_spool, {"shelf": shelf, "box": box, "dryer": dryer})
    moisture_cache.advance(spools, at(200))
    between = numbers(spools)
    assert between != before
    # What is stored is what a computation from the facts alone gives.
    MoistureState.objects.all().delete()
    BoxAir.objects.all().delete()
    assert numbers(spools) == between
    moisture_cache.advance(spools, at(200))
    withdraw(fact, reason="a test")
    assert numbers(spools) == before
    moisture_cache.advance(spools, at(200))
    assert dry_box_cache.rebuild() == [] and moisture_cache.rebuild(spools) == []
