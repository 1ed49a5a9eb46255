import pytest
from django.utils import timezone

from maintenance.machines.loading import load_spool, unload_spool
from maintenance.models import Loading
from maintenance.readiness.inputs import JobSpec
from spools.board import board
from spools.drying.runs import DryingSettings, start_drying
from spools.inventory.endings import end_spool
from spools.inventory.moves import current_stay, move_spool
from spools.models import Stay
from tests.refusals import refuses
from tests.spools.conftest import hours_ago, receive


def test_a_spool_goes_to_the_printer_with_its_verdict(shop, plain):
    loading = load_spool(shop.south, plain, at=hours_ago(3), by=shop.user)
    assert (loading.state, loading.recorded_by) == ("clear", shop.user)
    assert {check["state"] for check in loading.reasons} == {"clear"}
    assert current_stay(plain).place == shop.south.printer.place
    unload_spool(loading, shop.box, at=hours_ago(1))
    assert Loading.objects.get().end == hours_ago(1)
    assert current_stay(plain).place == shop.box


def test_a_hold_is_refused_without_a_reason_and_nothing_moves(shop, wet):
    advice = board.read([wet.pk])[wet.pk].advice
    with refuses("on_hold", "override_reason", names=[advice.sentence]):
        load_spool(shop.south, wet, override_reason="  ")
    assert not Loading.objects.exists() and current_stay(wet).place == shop.shelf
    loading = load_spool(shop.south, wet, override_reason=" a jig ")
    assert (loading.state, loading.override_reason) == ("hold", "a jig")


def test_the_verdict_is_for_the_job_asked(shop, plain):
    with refuses("on_hold", "override_reason", names=["1000 g", "1200 g"]):
        load_spool(shop.south, plain, job=JobSpec(1200, 30, 205, 55))


def test_the_verdict_of_a_past_loading_is_of_that_time(shop, wet):
    early = receive(shop.nylon, shop.bag, card="dry")
    move_spool(early, shop.shelf, at=hours_ago(200))
    assert load_spool(shop.south, early, at=hours_ago(199.9)).state != "hold"


def test_one_spool_on_a_toolhead(shop, plain):
    second = receive(shop.pla, shop.box, card="dry")
    load_spool(shop.south, plain, at=hours_ago(5))
    with refuses("toolhead_taken"):
        load_spool(shop.south, second)
    loading = load_spool(shop.south, second, at=hours_ago(2), unload_to=shop.shelf)
    assert current_stay(plain).place == shop.shelf
    assert Loading.objects.get(spool=plain).end == loading.start


def test_one_toolhead_for_a_spool(shop, plain):
    loading = load_spool(shop.south, plain, at=hours_ago(5))
    for toolhead in (shop.north, shop.south):
        with refuses("loaded_elsewhere", names=["South T0"]):
            load_spool(toolhead, plain)
    unload_spool(loading, shop.box, at=hours_ago(2))
    with refuses("toolhead_taken_then"):
        load_spool(shop.north, plain, at=hours_ago(3))


@pytest.mark.parametrize("left", ["moved", "emptied", "dried"])
def test_a_spool_that_left_without_being_unloaded_frees_its_toolhead(shop, plain, left):
    loading, left_at = load_spool(shop.south, plain, at=hours_ago(5)), hours_ago(2)
    if left == "moved":
        move_spool(plain, shop.shelf, at=left_at)
    elif left == "emptied":
        end_spool(plain, at=left_at)
    else:
        start_drying([plain], shop.dryer, DryingSettings(45), at=left_at)
    load_spool(shop.south, receive(shop.pla, shop.box, card="dry"), at=hours_ago(1))
    loading.refresh_from_db()
    assert loading.end == left_at


def test_an_emptied_spool_is_off_its_toolhead(shop, plain):
    loading = load_spool(shop.south, plain, at=hours_ago(5))
    end_spool(plain, at=hours_ago(2))
    with refuses("unloaded_already"):
        unload_spool(loading, shop.box, at=hours_ago(1))
    assert current_stay(plain) is None


def test_impossible_input_is_refused(shop, plain):
    with refuses("in_the_future"):
        load_spool(shop.south, plain, at=hours_ago(-3))
    with refuses("before_receipt"):
        load_spool(shop.south, plain, at=hours_ago(24 * 50))
    with refuses("too_long", "override_reason", names=["300"]):
        load_spool(shop.south, plain, override_reason="x" * 301)
    loading = load_spool(shop.south, plain, at=hours_ago(3))
    with refuses("before_loading"):
        unload_spool(loading, shop.box, at=hours_ago(4))
    unload_spool(loading, shop.box, at=hours_ago(2))
    with refuses("unloaded_already"):
        unload_spool(loading, shop.box)
    end_spool(plain)
    with refuses("spool_ended"):
        load_spool(shop.south, plain)
    assert Loading.objects.count() == 1 and Stay.objects.filter(end=None).count() == 0


def test_a_printer_out_of_use_takes_no_spool(shop, plain):
    shop.south.printer.retired_at = timezone.now()
    shop.south.printer.save()
    with refuses("printer_out_of_use"):
        load_spool(shop.south, plain)


def test_a_spool_in_the_dryer_stays_there_whatever_the_reason(shop, wet):
    start_drying([wet], shop.dryer, DryingSettings(75), at=hours_ago(2))
    with refuses("in_a_run"):
        load_spool(shop.south, wet, override_reason="in a hurry")
    assert current_stay(wet).place == shop.dryer
