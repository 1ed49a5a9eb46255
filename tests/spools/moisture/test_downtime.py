"""A shop that was switched off, or had a wrong clock, knows what one that ran all the time knows."""

from datetime import UTC, datetime, timedelta

import pytest
import time_machine
from django.db import transaction

from background import running
from background.clock import ClockWatch
from background.running import run_due
from spools.air.climate import record_readings
from spools.inventory import moves
from spools.models import Place, Spool
from spools.moisture import cache as moisture_cache
from tests.spools.conftest import receive

pytestmark = pytest.mark.django_db
START = datetime(2031, 3, 2, 10, 20, tzinfo=UTC)
DAY = timedelta(days=1)


@pytest.fixture
def clock(monkeypatch):
    monkeypatch.setattr(running, "_watch", ClockWatch())
    with time_machine.travel(START, tick=False) as traveller:
        yield traveller


@pytest.fixture
def outing(clock, nylon, shelf, box) -> Spool:
    """A spool in the dry box that lies about for a while on the second day."""
    spool = receive(nylon, box, at=START)
    clock.move_to(START + 2 * DAY)
    record_readings(shelf, [(START + DAY + timedelta(hours=h), 22, 60) for h in range(20)], origin="api")
    moves.record_excursion(spool, shelf, START + 1.1 * DAY, START + 1.6 * DAY)
    return spool


def stored(spool: Spool) -> dict[datetime, tuple]:
    return {
        row.at: (bytes(row.memory), row.exposure_hours, row.dry_hours, row.heat_hours)
        for row in spool.moisture_states.all()
    }


def run_at(clock, *moments: datetime) -> None:
    for moment in moments:
        clock.move_to(moment)
        run_due()


def test_after_a_week_of_downtime_moisture_is_what_it_would_have_been_to_the_bit(clock, outing):
    end = START + 9 * DAY
    run_at(clock, START + 2 * DAY)
    with transaction.atomic():
        run_at(clock, *(START + 2 * DAY + timedelta(hours=6 * n) for n in range(1, 29)))
        ran_all_the_time = stored(outing)
        transaction.set_rollback(True)
    run_at(clock, end)
    was_down = stored(outing)
    assert max(was_down) == max(ran_all_the_time) > end - DAY
    both = was_down.keys() & ran_all_the_time.keys()
    assert len(both) > 1
    assert {at: was_down[at] for at in both} == {at: ran_all_the_time[at] for at in both}
    assert moisture_cache.rebuild([outing], end) == []


def test_a_clock_that_ran_a_month_ahead_leaves_no_mark_on_the_moisture(clock, outing, shelf):
    run_at(clock, START + 2 * DAY, START + 32 * DAY, START + 2.5 * DAY)
    assert Place.objects.get(pk=shelf.pk).readings.count() == 20
    moves.move_spool(outing, shelf, at=START + 2.4 * DAY)
    run_at(clock, START + 3 * DAY)
    assert max(stored(outing)) <= START + 3 * DAY
    assert moisture_cache.rebuild([outing]) == []
