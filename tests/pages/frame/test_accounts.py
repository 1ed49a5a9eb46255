"""Accounts are made on a page; everybody changes the own password."""

import pytest
from django.test import Client

from access.models import User
from tests.pages.shown import require_refused, shows

pytestmark = pytest.mark.django_db
NEW = {"username": "grace", "password": "nylon-in-a-dry-box", "role": "work"}


@pytest.fixture
def boss() -> Client:
    client = Client()
    client.force_login(User.objects.create_superuser("ada", password="winding-and-core"))
    return client


def test_a_second_account_signs_in_and_changes_its_password(boss):
    assert boss.post("/accounts/", NEW).status_code == 302
    assert shows(boss.get("/accounts/"), "grace", note="account")
    grace = Client()
    assert grace.login(username="grace", password=NEW["password"])
    assert grace.get("/").headers["Location"] == "/accounts/password/"
    other = {
        "old_password": NEW["password"],
        "new_password1": "a-core-of-card",
        "new_password2": "a-core-of-card",
    }
    assert grace.post("/accounts/password/", other, follow=True).status_code == 200
    assert Client().login(username="grace", password="a-core-of-card")
    assert grace.get("/accounts/").status_code == 403


@pytest.mark.parametrize(
    ("wrong", "field", "code"),
    [
        ({"username": "ada"}, "username", "unique"),
        ({"username": "two words"}, "username", "invalid"),
        ({"password": "short"}, "password", "password_too_short"),
    ],
)
def test_an_account_that_cannot_be_is_refused(boss, wrong, field, code):
    require_refused(boss.post("/accounts/", NEW | wrong), code, field)
    assert User.objects.count() == 1


def test_a_role_is_changed_on_the_page_but_not_the_own_one(boss):
    boss.post("/accounts/", NEW)
    grace, ada = (User.objects.get(username=name) for name in ("grace", "ada"))
    User.objects.update(must_change_password=False)
    desk = Client()
    desk.force_login(grace)
    assert desk.get("/machines/new/").status_code == 403
    change = {f"{grace.pk}-role": "set_up", f"{grace.pk}-is_active": "on"}
    assert boss.post(f"/accounts/{grace.pk}/", change).status_code == 302
    assert desk.get("/machines/new/").status_code == 200
    require_refused(boss.post(f"/accounts/{ada.pk}/", {f"{ada.pk}-role": "view"}), "own_role")
    boss.post(f"/accounts/{grace.pk}/", {f"{grace.pk}-role": "view"})
    assert desk.get("/").status_code == 302
