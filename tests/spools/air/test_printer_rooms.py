"""A printer that stands in a room takes the room's air and sensor unless it has its own readings."""

import pytest

from spools.air.climate import climate_at, record_readings
from spools.board import board
from spools.board.airs import load_air_classes
from spools.inventory import moves
from spools.inventory.assumptions import save_place
from spools.models import Place
from spools.moisture.history_queries import load
from spools.moisture.state import moisture_now
from tests.spools.conftest import hours_ago, receive


@pytest.fixture
def printer(shelf) -> Place:
    return save_place(Place(name="Printer", kind="printer", room=shelf, assumed_rh_pct=20))


def air_at(spool, hours):
    history = load([spool.pk], hours_ago(0), lambda history: history.spool.received_at)[spool.pk]
    air = history.segment_at(hours_ago(hours)).air
    return round(air.rh_pct), air.origin


def test_it_takes_the_readings_of_its_room_and_its_own_first(nylon, shelf, printer):
    spool = receive(nylon, shelf, at=hours_ago(100))
    moves.record_move(spool, printer, at=hours_ago(90))
    assert air_at(spool, 50) == (shelf.assumed_rh_pct, "assumed")
    assert climate_at(printer).source.code == "air.room"
    row = board.read([spool.pk])[spool.pk]
    before = moisture_now(spool).mean_pct.p50
    record_readings(shelf, [(hours_ago(h), 22, 80) for h in range(60)], origin="api")
    assert air_at(spool, 50) == (80, "reading")
    assert moisture_now(spool).mean_pct.p50 > before
    assert {air.rh_pct for air in load_air_classes(hours_ago(0))} == {80}
    assert board.read([spool.pk])[spool.pk].p50_pct > row.p50_pct
    record_readings(printer, [(hours_ago(h), 22, 30) for h in range(10)], origin="api")
    assert air_at(spool, 5) == (30, "reading")
    assert {air.rh_pct for air in load_air_classes(hours_ago(0))} == {30}


def test_another_assumption_about_the_room_concerns_all_prints_in_it(nylon, shelf, box, printer):
    spool = receive(nylon, box, at=hours_ago(100))
    assert [end.rh_pct for end in board.read([spool.pk])[spool.pk].outlooks] == [50]
    shelf.assumed_rh_pct = 70
    save_place(shelf)
    assert [end.rh_pct for end in board.read([spool.pk])[spool.pk].outlooks] == [70]
