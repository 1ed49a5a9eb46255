"""Facts of a spool that are added late, corrected and withdrawn on its pages."""

import pytest
import time_machine
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from maintenance.machines.loading import load_spool
from maintenance.models import Loading, Printer, Toolhead
from spools.inventory.moves import current_stay, move_spool
from spools.models import DryingRun, Place
from tests.pages.corner import corner, of
from tests.pages.shown import notes, notices, require_refused
from tests.pages.small_shop import local_input
from tests.spools.conftest import hours_ago, receive


@pytest.fixture(autouse=True)
def clock():
    """The minute does not change while a test computes times."""
    with time_machine.travel(timezone.now(), tick=False):
        yield


@pytest.fixture
def shop(db):
    return corner()


@pytest.fixture
def desk(shop) -> Client:
    client = Client()
    client.force_login(shop.user)
    return client


def correct(name, spool, fact):
    return reverse(name, args=[spool.code, fact.pk])


def test_a_move_is_corrected_and_withdrawn(shop, desk):
    spool = shop.free
    move_spool(spool, shop.shelf, at=hours_ago(20))
    move = spool.moves.get(place=shop.shelf)
    page = correct("move-correct", spool, move)
    assert desk.get(page).status_code == 200
    require_refused(
        desk.post(page, {"place": shop.box.pk, "when": local_input(hours_ago(-5))}), "in_the_future", "when"
    )
    assert notices(
        desk.post(page, {"place": shop.box.pk, "when": local_input(hours_ago(22))}, follow=True)
    ) == ["success"]
    assert (current_stay(spool).place, current_stay(spool).start) == (shop.box, hours_ago(22))
    right = spool.moves.valid().get(place=shop.box)
    history = desk.get(of("spool-history", spool))
    assert {"stay", "withdrawn"} <= set(notes(history))
    address = reverse("withdraw", args=["move", right.pk])
    assert address in history.content.decode()
    assert notices(desk.post(address, {"reason": "another spool"}, follow=True)) == ["success"]
    assert current_stay(spool).place == shop.bag


def test_a_past_drying_run_is_added_and_corrected(shop, desk):
    spool, form = shop.free, {"dryer": shop.dryer.pk, "set_point_c": "95", "resolution_g": "1"}
    times = {"start": local_input(hours_ago(40)), "end": local_input(hours_ago(30))}
    add = of("spool-past-drying", spool)
    assert desk.get(add).status_code == 200
    backwards = {"start": times["end"], "end": times["start"]}
    require_refused(desk.post(add, form | backwards), "end_before_start", "end")
    # Hotter than the material may get, and it happened.
    assert notices(desk.post(add, form | times | {"before_g": "1200"}, follow=True)) == ["success"]
    run = DryingRun.objects.get()
    assert run.hold is not None and run.before.gross_g == 1200
    page = correct("run-correct", spool, run)
    assert desk.get(page).status_code == 200
    later = times | {"end": local_input(hours_ago(28))}
    assert notices(desk.post(page, later, follow=True)) == ["success"]
    run = DryingRun.objects.get()
    assert (run.end, run.recorded_by) == (hours_ago(28), shop.user)
    address = reverse("withdraw", args=["drying-run", run.pk])
    assert address in desk.get(of("spool-history", spool)).content.decode()
    assert notices(desk.post(address, {"reason": "another spool"}, follow=True)) == ["success"]
    assert not DryingRun.objects.exists()


def test_a_loading_is_corrected_and_withdrawn(shop, desk):
    spool = receive(shop.free.feedstock, shop.box, card="dry")
    place = Place.objects.create(name="South", kind="printer")
    toolhead = Toolhead.objects.create(printer=Printer.objects.create(name="South", place=place))
    loading = load_spool(toolhead, spool, at=hours_ago(5), override_reason="a test")
    page = correct("loading-correct", spool, loading)
    assert desk.get(page).status_code == 200
    assert notices(desk.post(page, {"when": local_input(hours_ago(7))}, follow=True)) == ["success"]
    loading = Loading.objects.get()
    assert (loading.start, loading.end) == (hours_ago(7), None)
    address = reverse("withdraw", args=["loading", loading.pk])
    assert notices(desk.post(address, {"reason": "another spool"}, follow=True)) == ["success"]
    assert not Loading.objects.exists() and current_stay(spool).place == shop.box
    add = of("spool-past-loading", spool)
    times = {"start": local_input(hours_ago(7)), "end": local_input(hours_ago(8))}
    assert desk.get(add).status_code == 200
    require_refused(desk.post(add, times | {"toolhead": toolhead.pk}), "end_before_start", "end")
    times["end"] = local_input(hours_ago(5))
    assert notices(desk.post(add, times | {"toolhead": toolhead.pk}, follow=True)) == ["success"]
    loading = Loading.objects.get()
    assert (loading.end, loading.recorded_by, current_stay(spool).place) == (
        hours_ago(5),
        shop.user,
        shop.box,
    )


def test_the_second_of_two_moves_learns_of_the_first(shop, desk):
    spool, page = shop.free, of("spool-move", shop.free)
    seen = desk.get(page).context["form"]["from_place"].value()
    move_spool(spool, shop.box, at=hours_ago(1), by=shop.user)
    given = {"place": shop.shelf.pk, "when": "", "from_place": seen}
    refused = desk.post(page, given)
    require_refused(refused, "moved_meanwhile")
    given["from_place"] = refused.context["form"]["from_place"].value()
    assert notices(desk.post(page, given, follow=True)) == ["success"]
    assert current_stay(spool).place == shop.shelf
