"""Loadings that are corrected and withdrawn, and moves that loadings and prints follow."""

import pytest
import time_machine
from django.utils import timezone

from maintenance.jobs.records import record_job
from maintenance.machines import stays
from maintenance.machines.loading import load_spool, unload_spool
from maintenance.machines.past_loadings import correct_loading, record_past_loading
from maintenance.models import Loading
from spools.codes import pretty
from spools.facts import withdraw
from spools.inventory.moves import current_stay, move_spool, record_excursion
from spools.inventory.openings import find_opened
from spools.models import Place
from tests.refusals import refuses
from tests.spools.conftest import hours_ago, receive
from tests.spools.derived import derived

JOB = {"mass_g": 5, "hours": 1, "nozzle_c": 205, "bed_c": 55}


@pytest.fixture(autouse=True)
def clock():
    """The minute does not change while a test computes times."""
    with time_machine.travel(timezone.now(), tick=False):
        yield


def print_(shop, spool, hours):
    return record_job(toolhead=shop.south, spool=spool, name="bracket", start=hours_ago(hours), **JOB)


def test_a_withdrawn_loading_never_was(shop, plain):
    before = current_stay(plain)
    loading = load_spool(shop.south, plain, at=hours_ago(5))
    unload_spool(loading, shop.box, at=hours_ago(2))
    with refuses("move_of_loading"):
        withdraw(loading.move, reason="another spool")
    withdraw(loading, reason="another spool")
    assert not Loading.objects.exists() and Loading.recorded.count() == 1
    stay = current_stay(plain)
    assert (stay.place, stay.start) == (before.place, before.start)
    with refuses("withdrawn_already"):
        unload_spool(loading, shop.box)


def test_a_print_holds_its_loading(shop, plain):
    loading = load_spool(shop.south, plain, at=hours_ago(10))
    job = print_(shop, plain, 5)
    with refuses("print_then", names=["bracket"]):
        withdraw(loading, reason="another spool")
    with refuses("print_then", names=["bracket"]):
        correct_loading(loading, at=hours_ago(3))
    with refuses("print_then", names=["bracket"]):
        record_excursion(plain, shop.shelf, hours_ago(6))
    withdraw(job, reason="another spool")
    withdraw(loading, reason="another spool")
    assert not Loading.objects.exists()


def test_taking_back_an_unloading_puts_it_on_the_toolhead_again(shop, plain):
    loading = load_spool(shop.south, plain, at=hours_ago(10))
    unload_spool(loading, shop.box, at=hours_ago(5))
    withdraw(plain.moves.get(at=hours_ago(5)), reason="a mistake")
    assert Loading.objects.present().get() == loading
    second = receive(shop.pla, shop.box, card="dry")
    later = load_spool(shop.south, second, at=hours_ago(3), unload_to=shop.shelf)
    withdraw(plain.moves.get(at=hours_ago(3)), reason="it went on")
    loading.refresh_from_db()
    assert loading.end == hours_ago(3)
    withdraw(later, reason="another spool")
    loading.refresh_from_db()
    assert loading.end is None and current_stay(second).place == shop.box


def test_the_time_of_a_loading_is_corrected(shop, plain):
    loading = load_spool(shop.south, plain, at=hours_ago(10))
    unload_spool(loading, shop.box, at=hours_ago(2))
    right = correct_loading(loading, at=hours_ago(8), by=shop.user)
    assert (right.start, right.end, right.state) == (hours_ago(8), hours_ago(2), loading.state)
    assert list(Loading.objects.all()) == [right]
    with refuses("after_unloading", "at"):
        correct_loading(right, at=hours_ago(1))
    earlier = load_spool(shop.south, receive(shop.pla, shop.box, card="dry"), at=hours_ago(1.5))
    with refuses("toolhead_taken_then", "at"):
        correct_loading(earlier, at=hours_ago(3))


@pytest.mark.parametrize("away", [False, True])
def test_a_spool_that_left_is_off_from_then_on(shop, plain, away):
    loading = load_spool(shop.south, plain, at=hours_ago(10))
    if away:
        # It was back on the toolhead afterwards.
        record_excursion(plain, shop.shelf, hours_ago(6), hours_ago(4))
    else:
        move_spool(plain, shop.shelf, at=hours_ago(6))
    loading.refresh_from_db()
    assert loading.end == (None if away else hours_ago(6))
    with refuses("not_loaded_then"):
        print_(shop, plain, 5)


def test_the_bag_that_a_loading_opened_is_closed_again(shop):
    shop.box.feeds = True
    shop.box.save()
    spool = receive(shop.pla, Place.objects.get(pk=shop.bag.pk), card="dry")
    loading = load_spool(shop.south, spool, at=hours_ago(3), fed_from=shop.box)
    assert find_opened(spool) is not None
    withdraw(loading, reason="another spool")
    assert find_opened(spool) is None


def test_a_loading_is_added_between_later_ones_and_withdrawn(shop, plain):
    first = load_spool(shop.south, plain, at=hours_ago(20))
    unload_spool(first, shop.box, at=hours_ago(15))
    load_spool(shop.south, plain, at=hours_ago(5))
    other = receive(shop.pla, shop.box, card="dry")
    before = derived([plain, other], timezone.now())
    with refuses("toolhead_taken_then", "start", names=[pretty(plain.code)]):
        record_past_loading(shop.south, other, hours_ago(7), hours_ago(4))
    with refuses("end_before_start", "end"):
        record_past_loading(shop.south, other, hours_ago(7), hours_ago(7))
    loading = record_past_loading(shop.south, other, hours_ago(12), hours_ago(8))
    assert loading.cause.code == "cause.added_afterwards"
    job = print_(shop, other, 10)
    with refuses("loaded_elsewhere", "start"):
        record_past_loading(shop.north, other, hours_ago(9), hours_ago(6))
    right = correct_loading(loading, at=hours_ago(13))
    assert (right.start, right.end, current_stay(other).place) == (hours_ago(13), hours_ago(8), shop.box)
    assert stays.rebuild() == []
    withdraw(job, reason="another spool")
    withdraw(right, reason="another spool")
    assert derived([plain, other], timezone.now()) == before


@pytest.mark.parametrize("order", [(0, 1, 2), (2, 0, 1), (1, 2, 0)])
def test_loadings_may_be_added_in_any_order(shop, plain, order):
    times = [(12, 10), (8, 6), (6, 3)]
    for n in order:
        record_past_loading(shop.south, plain, *(hours_ago(hours) for hours in times[n]))
    assert [(row.start, row.end) for row in Loading.objects.order_by("start")] == [
        (hours_ago(start), hours_ago(end)) for start, end in times
    ]
    # In its place between them, and at the printer without a break from the second to the third.
    ends = [stay.end for stay in plain.stays.order_by("start")]
    assert ends == [*(hours_ago(hours) for hours in (12, 10, 8, 3)), None]
    assert stays.rebuild() == []


def test_a_rebuild_derives_the_ends_of_loadings_again(shop, plain):
    loading = load_spool(shop.south, plain, at=hours_ago(5))
    unload_spool(loading, shop.box, at=hours_ago(2))
    assert stays.rebuild() == []
    Loading.objects.update(end=None)
    assert len(stays.rebuild()) == 1 and Loading.objects.get().end == hours_ago(2)
