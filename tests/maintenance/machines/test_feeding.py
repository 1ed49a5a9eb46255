"""A spool that is fed from a dry box stays in its air while it is loaded and prints."""

import pytest

from maintenance.board.shop import load_board, small_job_verdicts
from maintenance.jobs.records import record_job
from maintenance.machines.loading import load_spool, unload_spool
from maintenance.models import Loading, Printer
from maintenance.readiness.builder import verdict
from maintenance.readiness.inputs import JobSpec
from maintenance.today import build_today
from spools.board import board
from spools.inventory.assumptions import save_place
from spools.inventory.moves import current_stay, move_spool
from spools.inventory.openings import find_opened
from spools.models import Place, Stay
from spools.moisture.history_queries import load
from tests.refusals import refuses
from tests.spools.conftest import hours_ago, receive

LONG_JOB = JobSpec(150, 40, 260, 80)


@pytest.fixture
def box(shop) -> Place:
    """The dry box of the shop, from which filament can be fed into a damp room."""
    shop.box.feeds = True
    save_place(shop.box)
    for printer in Printer.objects.all():
        printer.place.assumed_rh_pct = 70
        save_place(printer.place)
    return shop.box


@pytest.fixture
def dry(shop, box):
    """Dry nylon in the box."""
    box.assumed_rh_pct = 3
    save_place(box)
    return receive(shop.nylon, box, at=hours_ago(2000), card="dry")


def moisture_check(judged):
    return next(check for check in judged.checks if check.name == "moisture")


def test_a_spool_in_the_box_is_loaded_without_moving(shop, box, dry):
    loading = load_spool(shop.south, dry, at=hours_ago(30), fed_from=box)
    assert loading.fed_from == box and current_stay(dry).place == box
    assert Stay.objects.filter(spool=dry).count() == 1
    assert Loading.objects.present().get() == loading
    record_job(
        toolhead=shop.south,
        spool=dry,
        name="bracket",
        start=hours_ago(20),
        mass_g=50,
        hours=5,
        nozzle_c=260,
        bed_c=80,
    )
    history = load([dry.pk], hours_ago(0), lambda history: history.spool.received_at)[dry.pk]
    assert history.segment_at(hours_ago(18)).place == box
    unload_spool(loading, box, at=hours_ago(10))
    assert Loading.objects.get().end == hours_ago(10)


def test_it_moves_into_the_box_and_its_bag_is_opened(shop, box):
    spool = receive(shop.nylon, shop.bag, card="dry")
    load_spool(shop.south, spool, at=hours_ago(3), fed_from=box, override_reason="a test")
    assert current_stay(spool).place == box
    assert find_opened(spool) == (hours_ago(3), "stated")


def test_moving_it_out_of_the_box_ends_the_loading(shop, box, dry):
    load_spool(shop.south, dry, at=hours_ago(30), fed_from=box)
    move_spool(dry, shop.shelf, at=hours_ago(20))
    assert not Loading.objects.present().exists()
    assert Loading.objects.get().end == hours_ago(20)
    with refuses("not_loaded_then", "spool"):
        record_job(
            toolhead=shop.south,
            spool=dry,
            name="late",
            start=hours_ago(10),
            mass_g=5,
            hours=1,
            nozzle_c=260,
            bed_c=80,
        )


def test_moisture_after_the_job_is_judged_in_the_air_of_the_box(shop, box, dry):
    in_room = moisture_check(verdict(shop.south, dry, LONG_JOB))
    assert in_room.remedy.statement.code == "readiness.feed_from"
    assert in_room.remedy.statement.values == {"place": str(box)}
    fed = moisture_check(verdict(shop.south, dry, LONG_JOB, fed_from=box))
    assert (
        fed.statement.values["likely_pct"] < in_room.statement.values["likely_pct"]
        and fed.state != in_room.state
    )
    load_spool(shop.south, dry, fed_from=box)
    loaded = moisture_check(verdict(shop.south, dry, LONG_JOB))
    assert (loaded.state, loaded.statement.values["fed_from"]) == (fed.state, str(box))


def test_the_board_has_the_air_of_boxes_that_feed(shop, box, dry):
    (row,) = board.read([dry.pk]).values()
    assert {end.rh_pct for end in row.outlooks} == {4.0, 70.0}
    pair = shop.south.pk, dry.pk
    alone, fed = (small_job_verdicts([(shop.south, dry)], fed)[pair] for fed in (None, {pair: box.pk}))
    assert "fed_from" not in moisture_check(alone).statement.values
    assert moisture_check(fed).statement.values["fed_from"] == str(box)
    load_spool(shop.south, dry, fed_from=box)
    assert load_board([dry.pk]).verdict(*pair).state == fed.state
    assert build_today().ready[0].verdict.state == fed.state


def test_a_place_that_does_not_feed_is_refused(shop, plain):
    with refuses("cannot_feed", "fed_from"):
        load_spool(shop.south, plain, fed_from=shop.box)
    shop.shelf.feeds = True
    with refuses("cannot_feed"):
        save_place(shop.shelf)
