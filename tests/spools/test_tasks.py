import pytest

from background.models import WorkItem
from background.running import run_due
from spools import tasks
from spools.inventory import endings, ledger
from spools.models import MoistureState
from spools.moisture import cache as moisture_cache

from .conftest import receive

pytestmark = pytest.mark.django_db


def test_the_schedule_brings_all_spools_that_are_not_empty_up_to_date(spool, nylon, shelf):
    empty = receive(nylon, shelf)
    endings.end_spool(empty)
    run_due()
    assert spool.moisture_states.exists()
    assert not empty.moisture_states.exists()
    stored = MoistureState.objects.count()
    run_due()
    assert MoistureState.objects.count() == stored
    assert moisture_cache.rebuild([spool]) == []


def test_rounds_that_take_longer_than_a_quarter_of_an_hour_do_not_pile_up(nylon, shelf, monkeypatch):
    monkeypatch.setattr(tasks, "BATCH", 2)
    spools = [receive(nylon, shelf) for _ in range(5)]
    for _ in range(3):
        tasks.queue_advances()
    waiting = WorkItem.objects.filter(name="spools.advance_moisture")
    assert sorted(waiting.values_list("singleton_key", flat=True)) == [
        f"spools.advance_moisture:{n}" for n in range(3)
    ]
    assert sorted(pk for item in waiting for pk in item.args["spool_ids"]) == [spool.pk for spool in spools]
    run_due()
    assert all(spool.moisture_states.exists() for spool in spools)
    waiting.delete()
    tasks.queue_advances()
    assert not waiting.exists(), "nothing is behind"
    for spool in spools:
        ledger.take(spool, 5)
    tasks.queue_advances()
    assert waiting.count() == 3
