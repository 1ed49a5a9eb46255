"""The salt check of a place's hygrometer: three steps and a form on its page."""

from django.urls import reverse

from spools.air.climate import climate_at
from spools.models import SaltCheck
from tests.pages.places.test_boxes import page
from tests.pages.shown import notes, require_refused, shows
from tests.pages.small_shop import local_input
from tests.spools.conftest import hours_ago

CHECK = {"rh_pct": 77.3, "temperature_c": 25, "hours": 12}


def test_a_salt_check_is_recorded_shown_and_withdrawn(shop, desk):
    assert {"salt_check_steps", "hygrometer_unchecked"} <= notes(page(desk, shop.shelf))
    address = reverse("place-salt-check", args=[shop.shelf.pk])
    assert "salt_check_steps" in notes(desk.get(address))
    stored = desk.post(address, CHECK | {"hours": 2, "when": local_input(hours_ago(1))})
    assert stored.headers["Location"] == reverse("place", args=[shop.shelf.pk])
    check = SaltCheck.objects.get()
    assert check.recorded_by == shop.user
    result = page(desk, shop.shelf)
    assert shows(result, result.context["hygrometer"].sentence, note="hygrometer")
    withdraw = reverse("withdraw", args=["salt-check", check.pk])
    assert withdraw in result.content.decode()
    assert desk.post(withdraw, {"reason": "the bag was open"}).status_code == 302
    result = page(desk, shop.shelf)
    assert "hygrometer_unchecked" in notes(result) and shows(result, "the bag was open", note="withdrawn")
    assert climate_at(shop.shelf).rh_pct == 40


def test_an_impossible_check_is_refused(shop, desk):
    address = reverse("place-salt-check", args=[shop.shelf.pk])
    require_refused(desk.post(address, CHECK | {"rh_pct": 40}), "salt_check_implausible", "rh_pct")
    require_refused(desk.post(address, CHECK | {"temperature_c": ""}), "required", "temperature_c")
    assert not SaltCheck.objects.exists()
