"""A form that is sent twice records once; one that was changed after it was sent is not lost."""

import re

import pytest
from django.urls import reverse

from maintenance.models import ServiceEntry
from pages.frame.sent_twice import FIELD
from spools.models import MassEntry, SentRequest
from tests.pages.shown import notices


@pytest.fixture
def scale(shop):
    return reverse("spool-weigh", args=[shop.spools[2].code])


def weighings(shop) -> list[float]:
    return list(
        MassEntry.objects.filter(spool=shop.spools[2], kind="weighed").values_list("gross_g", flat=True)
    )


def keys(page) -> list[str]:
    return re.findall(rf'name="{FIELD}" value="([^"]+)"', page.content.decode())


def test_a_second_tap_leads_to_the_same_page(shop, desk, scale):
    (key,) = keys(desk.get(scale))
    before, values = weighings(shop), {"gross_g": "1100", "resolution_g": "1", FIELD: key}
    first, second = (desk.post(scale, values) for _ in range(2))
    assert (first.status_code, second.status_code) == (302, 302)
    assert first.headers["Location"] == second.headers["Location"]
    assert weighings(shop) == [*before, 1100]
    assert notices(desk.get(second.headers["Location"]))[-1] == "sent_before info"


def test_each_form_has_a_key_of_its_own(shop, desk, scale):
    values, before = {"gross_g": "1100", "resolution_g": "1"}, weighings(shop)
    for _ in range(2):
        (key,) = keys(desk.get(scale))
        desk.post(scale, values | {FIELD: key})
    assert weighings(shop) == [*before, 1100, 1100]
    service = keys(desk.get(reverse("service", args=[shop.toolheads[0].printer_id])))
    assert len(set(service)) == len(service) > 1


def test_a_refused_form_stores_nothing(shop, desk, scale):
    (key,) = keys(desk.get(scale))
    refused = desk.post(scale, {"gross_g": "-5", "resolution_g": "1", FIELD: key})
    assert refused.status_code == 200 and not SentRequest.objects.exists()
    assert desk.post(scale, {"gross_g": "1100", "resolution_g": "1", FIELD: key}).status_code == 302


def test_a_form_changed_after_sending_is_recorded_as_well(shop, desk, scale):
    before, values = weighings(shop), {"gross_g": "1100", "resolution_g": "1", "note": "<b>", FIELD: "k"}
    desk.post(scale, values)
    page = desk.post(scale, values | {"gross_g": "1098"})
    assert page.status_code == 422 and weighings(shop) == [*before, 1100]
    (key,) = keys(page)
    hidden = dict(re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)">', page.content.decode()))
    assert hidden["gross_g"] == "1098" and hidden["note"] == "&lt;b&gt;"
    desk.post(scale, {"gross_g": "1098", "resolution_g": "1", FIELD: key})
    assert weighings(shop) == [*before, 1100, 1098]


def test_without_a_usable_key_a_form_is_recorded_as_it_comes(shop, desk):
    address = reverse("service-done", args=[shop.toolheads[0].printer_id])
    for key in ("", "x" * 200):
        desk.post(address, {"kind": shop.belts.pk, FIELD: key})
    assert ServiceEntry.objects.filter(kind=shop.belts).count() == 2
