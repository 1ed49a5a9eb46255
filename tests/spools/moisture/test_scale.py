"""A sweep takes as many queries for many spools and machines as for few, and so do its parts."""

from datetime import timedelta

import pytest
import time_machine
from django.db import connection, transaction
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from background.running import run_due
from benchmarks import big_shop, big_shop_caches
from spools.board import board
from spools.inventory import ledger
from spools.models import MoistureState, Spool, SpoolBoard
from tests.spools.conftest import hours_ago, receive

pytestmark = pytest.mark.django_db
# Whether a drying run is over or a chart signals is chance: some looks ask nothing more where nothing is.
BY_CHANCE = 20


@pytest.fixture(autouse=True)
def small(monkeypatch):
    """Few places, three weeks of readings."""
    monkeypatch.setattr(big_shop, "DAYS", 20)
    monkeypatch.setattr(big_shop, "PLACES", 10)
    for name in ("ROOMS", "BOXES", "SENSED_BOXES", "DRYERS"):
        monkeypatch.setattr(big_shop, name, 2)


def swept(spools: int, machines: int) -> list[int]:
    """Queries of the sweep in which all have their turn, of its reminders, and of the next sweep."""
    with transaction.atomic(), time_machine.travel(big_shop.NOW, tick=False) as clock:
        big_shop.build(spools, machines)
        big_shop_caches.bring_up(big_shop.NOW - timedelta(hours=6))
        counts = []
        for queue in ("moisture", "reminders"):
            with CaptureQueriesContext(connection) as queries:
                run_due(queue=queue)
            counts.append(len(queries))
        quarter = big_shop.NOW.replace(minute=0)
        assert MoistureState.objects.filter(at=quarter).count() == spools
        assert SpoolBoard.objects.filter(computed_at=big_shop.NOW).count() == spools
        assert board.find_due(big_shop.NOW) == []
        clock.shift(timedelta(minutes=15))
        with CaptureQueriesContext(connection) as queries:
            run_due(queue="moisture")
        counts.append(len(queries))
        transaction.set_rollback(True)
    return counts


def test_three_times_as_many_spools_and_machines_take_as_many_queries():
    few, many = swept(40, 3), swept(120, 9)
    assert all(more <= less + BY_CHANCE for less, more in zip(few, many, strict=True)), (few, many)
    assert many[2] < many[0] / 2, "nothing to do takes hardly any"


def test_newly_weighed_spools_take_as_many_queries_as_one(nylon, shelf):
    spools = [receive(nylon, shelf, at=hours_ago(50)) for _ in range(6)]
    for spool in spools:
        for hours in (40, 20):
            ledger.weigh(spool, 1150, at=hours_ago(hours))
    counts = []
    # The row of the shop's caches is there from now on.
    board.compute([spools[0].pk], timezone.now())
    for some in (spools[:1], spools):
        with CaptureQueriesContext(connection) as queries:
            computed = board.compute([spool.pk for spool in some], timezone.now())
        counts.append(len(queries))
        assert {row.spool_id for row in computed.moisture.ensembles} == {spool.pk for spool in some}
    assert counts[0] == counts[1]


def test_a_batch_takes_as_many_queries_as_one_spool():
    with time_machine.travel(big_shop.NOW, tick=False):
        big_shop.build(30, 2)
        big_shop_caches.bring_up(big_shop.NOW - timedelta(hours=6))
        ids = list(Spool.objects.order_by("pk").values_list("pk", flat=True))
        counts = []
        for some in (ids[:10], ids[10:]):
            with CaptureQueriesContext(connection) as queries:
                board.refresh(some, big_shop.NOW)
            counts.append(len(queries))
    assert counts[1] <= counts[0]
