"""The admin: facts can be looked at and not changed; the catalogue can be edited within its limits."""

import pytest
from django.contrib import admin
from django.contrib.auth import get_user_model
from django.test import Client
from django.urls import reverse

from spools.inventory.moves import current_stay
from spools.models import Feedstock, Place
from tests.spools.conftest import feedstock, receive

EDITABLE = ["polymer", "feedstock", "maker", "filler", "corekind", "source", "printer", "toolhead"]


@pytest.fixture
def office(db) -> Client:
    client = Client()
    client.force_login(get_user_model().objects.create_superuser("ada", password="filament-and-dry-air"))
    return client


@pytest.fixture
def spool(db):
    shelf = Place.objects.create(name="Open shelf", kind="shelf")
    Place.objects.create(name="Oven A", kind="dryer", max_set_point_c=90, room=shelf)
    return receive(feedstock("PA6"), shelf, core_material="pc")


def test_every_list_opens(office, spool):
    for model in admin.site._registry:
        name = f"admin:{model._meta.app_label}_{model._meta.model_name}_changelist"
        assert office.get(reverse(name)).status_code == 200, name


def test_nothing_but_the_catalogue_and_machines_is_added_by_hand(office):
    addable = set()
    for model in admin.site._registry:
        name = f"admin:{model._meta.app_label}_{model._meta.model_name}_add"
        if office.get(reverse(name)).status_code == 200:
            addable.add(model._meta.model_name)
    assert addable - {"user"} == set(EDITABLE)


def test_facts_are_neither_changed_nor_deleted(office, spool):
    stay = current_stay(spool)
    page = office.get(reverse("admin:spools_stay_change", args=[stay.pk]))
    assert page.status_code == 200
    assert b'name="_save"' not in page.content
    assert office.post(reverse("admin:spools_stay_change", args=[stay.pk]), {"place": 1}).status_code == 403
    assert (
        office.post(reverse("admin:spools_stay_delete", args=[stay.pk]), {"post": "yes"}).status_code == 403
    )


def test_the_catalogue_is_edited_within_what_can_be(office, spool):
    address = reverse("admin:spools_feedstock_change", args=[spool.feedstock_id])
    form = office.get(address).context["adminform"].form
    values = {name: form[name].value() for name in form.fields if form[name].value() is not None}
    assert office.post(address, values | {"dry_cap_c": 9000}).status_code == 200
    assert Feedstock.objects.get().dry_cap_c is None
    assert office.post(address, values | {"dry_cap_c": 78, "dry_set_c": 70}).status_code == 302
    assert Feedstock.objects.get().dry_cap_c == 78
