"""A spool leaves the shop's use, and is taken back."""

from datetime import UTC, datetime, timedelta

import pytest
import time_machine

from spools.drying.runs import DryingSettings, start_drying
from spools.facts import withdraw
from spools.inventory import endings, ledger, moves
from spools.inventory.endings import end_spool, find_ending
from tests.refusals import refuses
from tests.spools.conftest import receive
from tests.spools.derived import derived, require_rebuilt_equal

pytestmark = pytest.mark.django_db
START = datetime(2026, 3, 2, 10, 20, tzinfo=UTC)


def at(hours: float) -> datetime:
    return START + timedelta(hours=hours)


@pytest.fixture(autouse=True)
def clock():
    with time_machine.travel(at(300), tick=False) as traveller:
        yield traveller


@pytest.fixture
def nylon_spool(nylon, shelf, box):
    spool = receive(nylon, shelf, at=START)
    ledger.take(spool, 100, at=at(30))
    moves.move_spool(spool, box, at=at(60))
    return spool


@pytest.mark.parametrize("kind", ["empty", "lost"])
def test_a_spool_that_turns_up_goes_on_from_its_facts(nylon_spool, kind):
    before = derived([nylon_spool], at(300))
    ended = end_spool(nylon_spool, kind=kind, at=at(200), note="not on its shelf")
    assert moves.current_stay(ended) is None
    assert ledger.remaining(ended).mass_g == 0
    ending = find_ending(ended)
    assert ending is not None and (ending.kind, ending.at) == (kind, at(200))
    withdraw(ending, reason="it turned up")
    assert derived([nylon_spool], at(300)) == before
    require_rebuilt_equal([nylon_spool])
    assert find_ending(ended) is None
    # Again, and for good.
    end_spool(nylon_spool, at=at(250))
    with refuses("withdrawn_already"):
        withdraw(ending, reason="again")


def test_a_print_before_the_end_may_be_added_late(nylon_spool):
    end_spool(nylon_spool, at=at(200))
    ledger.take(nylon_spool, 300, at=at(190))
    with refuses("spool_ended"):
        ledger.take(nylon_spool, 10, at=at(210))
    with refuses("not_enough_filament"):
        ledger.take(nylon_spool, 900, at=at(195))
    nylon_spool.refresh_from_db()
    assert ledger.remaining(nylon_spool).mass_g == 0
    withdraw(nylon_spool.endings.get(), reason="there was some left")
    nylon_spool.refresh_from_db()
    assert ledger.remaining(nylon_spool).mass_g == pytest.approx(600)


def test_a_spool_does_not_come_back_into_a_dryer_that_was_heated(nylon, shelf, dryer):
    spool, other = receive(nylon, shelf, at=START), receive(nylon, shelf, at=START)
    moves.move_spool(spool, dryer, at=at(10))
    end_spool(spool, at=at(20))
    start_drying([other], dryer, DryingSettings(70), at=at(30))
    with refuses("dryer_in_use"):
        withdraw(spool.endings.get(), reason="it turned up")
    assert moves.current_stay(spool) is None
    assert spool.endings.get().withdrawn_at is None


def test_another_way_to_leave_is_refused(nylon_spool):
    with refuses("unknown_kind", "kind"):
        endings.end_spool(nylon_spool, kind="eaten")
