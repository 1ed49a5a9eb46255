"""The admin: facts are looked at and not changed; a drying run passes the same gate as everywhere."""

import pytest
from django.contrib import admin
from django.contrib.auth import get_user_model
from django.test import Client
from django.urls import reverse

from spools.inventory.moves import current_stay
from spools.models import DryingRun, Feedstock, Place
from tests.spools.conftest import feedstock, receive

FACTS = ["stay", "massentry", "reading", "spool", "moisturestate"]
WORKSHOP_FACTS = ["loading", "job", "jobuse", "wearentry", "fitting", "part", "stockentry", "reminder"]
WORKSHOP_FACTS += ["jobfile", "flowcheck", "flowblob", "flowcheckwithdrawal"]
WORKSHOP_FACTS += ["serviceentry", "troublereport", "troubleoutcome"]


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


@pytest.mark.parametrize(
    "name", [*(f"spools_{fact}" for fact in FACTS), *(f"maintenance_{fact}" for fact in WORKSHOP_FACTS)]
)
def test_facts_are_not_added_by_hand(office, name):
    assert office.get(reverse(f"admin:{name}_add")).status_code == 403


def test_facts_are_neither_changed_nor_deleted(office, spool):
    stay = current_stay(spool)
    page = office.get(reverse("admin:spools_stay_change", args=[stay.pk]))
    assert page.status_code == 200
    assert b'name="_save"' not in page.content
    assert office.post(reverse("admin:spools_stay_change", args=[stay.pk]), {"place": 1}).status_code == 403
    assert (
        office.post(reverse("admin:spools_stay_delete", args=[stay.pk]), {"post": "yes"}).status_code == 403
    )


def drying_values(of, **values) -> dict:
    given = {"spool": of.pk, "dryer": Place.objects.get(kind="dryer").pk, "set_point_c": 70}
    return given | {"planned_hours": 8} | values


def test_a_set_point_above_the_cap_is_refused_with_the_reason(office, spool):
    response = office.post(reverse("admin:spools_dryingrun_add"), drying_values(spool, set_point_c=85))
    assert response.status_code == 200
    assert "85 °C is too hot: 80 °C is the most for drying PA6" in response.content.decode()
    assert not DryingRun.objects.exists()


def test_a_drying_run_is_added_and_moves_the_spool(office, spool):
    assert office.get(reverse("admin:spools_dryingrun_add")).status_code == 200
    response = office.post(reverse("admin:spools_dryingrun_add"), drying_values(spool))
    assert response.status_code == 302
    run = DryingRun.objects.get()
    assert (run.set_point_c, run.cap_c, run.recorded_by.username) == (70, 80, "ada")
    assert current_stay(spool).place == run.dryer
    assert office.get(reverse("admin:spools_dryingrun_change", args=[run.pk])).status_code == 200
    assert office.post(reverse("admin:spools_dryingrun_add"), drying_values(spool)).status_code == 200


@pytest.mark.parametrize("values", [{"spool": ""}, {"set_point_c": "hot"}, {"planned_hours": -2}])
def test_an_impossible_run_is_refused(office, spool, values):
    response = office.post(reverse("admin:spools_dryingrun_add"), drying_values(spool, **values))
    assert response.status_code == 200
    assert not DryingRun.objects.exists()


def test_the_catalogue_is_edited_within_what_can_be(office, spool):
    address = reverse("admin:spools_feedstock_change", args=[spool.feedstock_id])
    form = office.get(address).context["adminform"].form
    values = {name: form[name].value() for name in form.fields if form[name].value() is not None}
    assert office.post(address, values | {"dry_cap_c": 9000}).status_code == 200
    assert Feedstock.objects.get().dry_cap_c is None
    assert office.post(address, values | {"dry_cap_c": 78, "dry_set_c": 70}).status_code == 302
    assert Feedstock.objects.get().dry_cap_c == 78
