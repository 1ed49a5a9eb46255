"""Two people edit the same row: the second is told what changed, and keeps what was typed."""

import re

import pytest
from django.urls import reverse

from maintenance.models import Channel, NotificationSettings, ServiceKind
from maintenance.reminders.delivery import channels
from pages.frame.versions import EDITED_MEANWHILE
from spools.edits.versions import EditedMeanwhile
from spools.inventory.assumptions import save_place
from spools.models import Feedstock, Place
from tests.pages.shown import require_refused


def filled(page, name: str = "form") -> dict:
    """The data that a browser would send of an untouched form."""
    return inputs(page.context[name])


def inputs(form) -> dict:
    values = {field.html_name: field.value() for field in form}
    return {key: value for key, value in values.items() if value is not None and value is not False}


@pytest.fixture
def pages(shop):
    return {
        "place": (reverse("place-edit", args=[shop.shelf.pk]), "assumed_rh_pct", 61, 44),
        "feedstock": (reverse("feedstock-edit", args=[shop.pla.pk]), "reorder_point_g", 700, 300),
        "reel": (reverse("spool-reel", args=[shop.spools[1].code]), "core_radius_mm", 51.5, 52.5),
        "part kind": (reverse("part-kind-edit", args=[shop.brass.pk]), "reorder_point", 7, 3),
        "service kind": (reverse("service-kind", args=[shop.belts.pk]), "interval", 170, 130),
    }


@pytest.mark.parametrize("kind", ["place", "feedstock", "reel", "part kind", "service kind"])
def test_the_second_of_two_edits_is_refused_and_its_values_stay(desk, pages, kind):
    address, field, first, second = pages[kind]
    opened = filled(desk.get(address))
    saved = desk.post(address, opened | {field: first})
    assert saved.status_code == 302, saved.context["form"].errors
    page = desk.post(address, opened | {field: second})
    form = page.context["form"]
    assert page.status_code == 200 and form.has_error("__all__", EDITED_MEANWHILE)
    require_refused(page, EDITED_MEANWHILE, "__all__", names=[f"“{first}"])
    assert re.search(rf'name="{field}" value="{second}"', page.content.decode())
    again = filled(page) | {field: second}
    assert desk.post(address, again).status_code == 302
    assert float(filled(desk.get(address))[field]) == second


def test_a_form_that_was_opened_after_an_edit_is_saved(desk, pages):
    address, field, first, second = pages["place"]
    for value in (first, second):
        assert desk.post(address, filled(desk.get(address)) | {field: value}).status_code == 302


def test_notification_settings_of_two_tabs(desk, shop):
    address = reverse("notifications")
    for digest_at in ("08:00", "09:00"):
        opened = filled(desk.get(address), "times")
        assert desk.post(address, opened | {"digest_at": digest_at}).status_code == 302
    page = desk.post(address, opened | {"digest_at": "10:00"})
    assert page.context["times"].has_error("__all__", EDITED_MEANWHILE)
    assert f"{NotificationSettings.objects.get().digest_at:%H:%M}" == "09:00"


@pytest.mark.parametrize("column", ["page", "e-mail"])
def test_kinds_of_a_channel_in_two_tabs(desk, shop, column):
    mail = channels.add_email(shop.user, "ada@shop.example")
    address, field = reverse("notifications-kinds"), "page-dry" if column == "page" else f"c{mail.pk}-dry"
    opened = filled(desk.get(reverse("notifications")), "kinds")
    assert desk.post(address, opened | {field: ""}).status_code == 302
    page = desk.post(address, opened | {field: "at_once"})
    form = page.context["kinds"]
    assert form.has_error("__all__", EDITED_MEANWHILE) and form[field].value() == "at_once"
    stored = filled(desk.get(reverse("notifications")), "kinds")
    assert stored[field] == ""
    assert desk.post(address, filled(page, "kinds")).status_code == 302
    assert filled(desk.get(reverse("notifications")), "kinds")[field] == "at_once"


def test_of_two_that_change_the_kinds_of_a_channel_one_is_refused(shop):
    mail = channels.add_email(shop.user, "ada@shop.example")
    first, second = (Channel.objects.get(pk=mail.pk) for _ in range(2))
    channels.subscribe(first, {"dry": "at_once"})
    with pytest.raises(EditedMeanwhile):
        channels.subscribe(second, {"leak": "at_once"})
    assert mail.subscriptions.get().reminder_kind == "dry"


def test_of_two_that_save_what_they_read_before_one_is_refused(shop):
    first, second = (Place.objects.get(pk=shop.shelf.pk) for _ in range(2))
    first.assumed_rh_pct, second.assumed_rh_pct = 61, 44
    save_place(first)
    with pytest.raises(EditedMeanwhile):
        save_place(second)
    assert Place.objects.get(pk=shop.shelf.pk).assumed_rh_pct == 61


def test_the_admin_refuses_an_older_version_too(admin_client, shop):
    address = reverse("admin:spools_feedstock_change", args=[shop.pla.pk])
    opened = inputs(admin_client.get(address).context["adminform"].form)
    saved = admin_client.post(address, opened | {"reorder_point_g": 700})
    assert saved.status_code == 302, saved.context["adminform"].form.errors
    assert admin_client.post(address, opened | {"reorder_point_g": 300}).status_code == 200
    assert Feedstock.objects.get(pk=shop.pla.pk).reorder_point_g == 700


def test_a_new_row_has_the_first_version(desk, shop):
    kind = ServiceKind.objects.get(pk=shop.belts.pk)
    assert (kind.version, shop.shelf.version) == (1, 1)
