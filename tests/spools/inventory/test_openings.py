"""A sealed spool stays unopened wherever it lies, until somebody opens its bag or uses it."""

from datetime import timedelta

import pytest

from spools.air import dry_box_cache
from spools.air.dry_box import put_desiccant
from spools.board import board
from spools.drying.runs import DryingSettings, start_drying
from spools.facts import withdraw
from spools.inventory import endings, ledger, moves
from spools.inventory.openings import Opened, find_opened, is_opened, record_opening
from spools.models import Opening, Place, Spool
from spools.moisture import cache as moisture_cache
from spools.moisture.state import moisture_now, moisture_of
from spools.physics_inputs import SMALL_JOB_G
from tests.refusals import refuses
from tests.spools.conftest import feedstock, hours_ago, receive


@pytest.fixture
def sealed(nylon, shelf) -> Spool:
    """A nylon spool that lies in its unopened bag on the open shelf since ten days."""
    return receive(nylon, shelf, opened=False, card="dry")


@pytest.fixture
def printer(db) -> Place:
    return Place.objects.create(name="Printer", kind="printer")


def test_a_sealed_spool_stays_unopened_wherever_it_lies(sealed, shelf, box, bag):
    came = moisture_of([sealed], sealed.received_at)[sealed.pk]
    moves.move_spool(sealed, box, at=hours_ago(50))
    moves.move_spool(sealed, bag, at=hours_ago(40))
    moves.move_spool(sealed, shelf, at=hours_ago(30))
    ledger.weigh(sealed, 1200, at=hours_ago(20))
    assert find_opened(sealed) is None
    assert not Spool.objects.filter(is_opened(), pk=sealed.pk).exists()
    moisture_cache.advance([sealed])
    assert moisture_now(sealed).exposure_hours == came.exposure_hours == 0
    row = board.read([sealed.pk])[sealed.pk]
    assert row.air_rh_pct is None and row.printable_until in (None, row.computed_at), "it breathes no air"
    now = moisture_now(sealed)
    assert now.outer_pct(SMALL_JOB_G) == moisture_of([sealed], now.at + timedelta(days=50))[
        sealed.pk
    ].outer_pct(SMALL_JOB_G)


def test_a_spool_that_came_open_is_opened_as_it_came(nylon, bag):
    spool = receive(nylon, bag, sealed=False)
    assert find_opened(spool) == (spool.received_at, "received")
    with refuses("came_open"):
        record_opening(spool)


@pytest.mark.parametrize("use", ["loaded", "dried", "taken"])
def test_its_first_use_opens_it(sealed, printer, dryer, use):
    at = hours_ago(30)
    if use == "loaded":
        moves.record_move(sealed, printer, at=at)
    elif use == "dried":
        start_drying([sealed], dryer, DryingSettings(60), at=at)
    else:
        ledger.take(sealed, 10, at=at, kind="removed")
    assert find_opened(sealed) == Opened(at, use)
    assert Spool.objects.filter(is_opened(), pk=sealed.pk).exists()
    reason = next(line for line in moisture_now(sealed).why if line.code == "moisture_reason.bag_opened")
    assert reason.values == {"at": at.isoformat(), "by": use}


def test_a_person_states_it_and_the_air_counts_from_then_on(sealed):
    moisture_cache.advance([sealed])
    at = hours_ago(100)
    record_opening(sealed, at=at)
    assert find_opened(sealed) == Opened(at, "stated")
    now, then = moisture_now(sealed), moisture_of([sealed], at)[sealed.pk]
    assert now.exposure_hours == pytest.approx((now.at - at) / timedelta(hours=1))
    assert then.exposure_hours == 0
    assert now.outer_pct(SMALL_JOB_G).p50 > 2 * then.outer_pct(SMALL_JOB_G).p50
    with refuses("opened_already", "at"):
        record_opening(sealed, at=at + timedelta(hours=1))
    record_opening(sealed, at=at - timedelta(hours=1))
    assert find_opened(sealed) == Opened(at - timedelta(hours=1), "stated")


def test_withdrawing_the_statement_closes_the_bag_and_brings_its_card_back(sealed):
    before = moisture_now(sealed).mean_pct
    opening = record_opening(sealed, at=hours_ago(100), card="wet")
    sealed.refresh_from_db()
    moisture_cache.advance([sealed])
    assert sealed.card == "wet" and moisture_now(sealed).mean_pct.p50 > before.p50
    withdraw(opening, reason="another spool")
    sealed.refresh_from_db()
    assert (sealed.card, find_opened(sealed)) == ("dry", None)
    assert moisture_now(sealed).mean_pct == before
    assert Opening.objects.count() == 1


def test_an_unopened_spool_gives_nothing_to_a_dry_box_and_takes_nothing_from_it(shelf):
    nylon = feedstock("PA6")
    fields = {"kind": "dry_box", "volume_l": 30, "half_time_h": 50, "room": shelf}
    empty, full = (Place.objects.create(name=name, **fields) for name in ("Empty", "Full"))
    for box in (empty, full):
        put_desiccant(box, "silica_gel", 100, condition="new", at=hours_ago(200))
    spools = [receive(nylon, full, at=hours_ago(199), opened=False, card="wet") for _ in range(2)]

    def air():
        dry_box_cache.advance(hours_ago(0))
        return [list(box.airs.values_list("at", "rh_pct")) for box in (empty, full)]

    alone, beside = air()
    # The lid was opened once for each spool, or both at once.
    assert beside[-1][1] == pytest.approx(alone[-1][1], abs=0.3)
    record_opening(spools[0], at=hours_ago(100))
    opened = air()[1]
    assert [rh for at, rh in opened if at < hours_ago(101)] == [
        rh for at, rh in beside if at < hours_ago(101)
    ]
    assert opened[-1][1] > beside[-1][1] + 3
    assert dry_box_cache.rebuild() == []


def test_refused_openings(sealed):
    with refuses("unknown_card", "card"):
        record_opening(sealed, card="pink")
    with refuses("before_receipt", "at"):
        record_opening(sealed, at=sealed.received_at - timedelta(hours=1))
    endings.end_spool(sealed)
    with refuses("spool_ended"):
        record_opening(sealed)
