"""Accounts are made by invitation; everybody changes the own password; roles are changed on the page."""

import re
from datetime import timedelta

import pytest
import time_machine
from django.core import mail
from django.test import Client
from django.utils import timezone

from access.invitations import invitation_path
from access.models import Invitation, User
from access.tasks import mail_invitation
from access.tokens import add_token, look_up_token
from background.models import WorkItem
from background.scrub import scrub
from tests.pages.shown import notes, require_refused, shows

pytestmark = pytest.mark.django_db
PASSWORD, OTHER = "nylon-in-a-dry-box", "a-core-of-card"
NEW = {"username": "grace", "password1": PASSWORD, "password2": PASSWORD}


@pytest.fixture
def boss() -> Client:
    client = Client()
    client.force_login(User.objects.create_superuser("ada", password="winding-and-core"))
    return client


def invited(boss: Client, role: str = "work") -> str:
    page = boss.post("/accounts/", {"role": role})
    assert "link" in notes(page)
    return re.search(r"http://testserver(/invitation/[^<]+)<", page.content.decode())[1]


def test_an_invited_person_makes_an_account_and_changes_its_password(boss):
    link = invited(boss)
    assert "open_invitation" in notes(boss.get("/accounts/"))
    grace = Client()
    assert grace.get(link).status_code == 200
    assert grace.post(link, NEW).headers["Location"] == "/"
    assert grace.get("/").status_code == 200 and grace.get("/accounts/").status_code == 403
    assert User.objects.get(username="grace").role == "work"
    assert shows(boss.get("/accounts/"), "grace", note="account")
    other = {"old_password": PASSWORD, "new_password1": OTHER, "new_password2": OTHER}
    assert grace.post("/accounts/password/", other, follow=True).status_code == 200
    assert Client().login(username="grace", password=OTHER)
    assert Client().post(link, NEW | {"username": "eve"}).status_code == 404


@pytest.mark.parametrize(
    ("wrong", "field", "code"),
    [
        ({"username": "ada"}, "username", "unique"),
        ({"username": "two words"}, "username", "invalid"),
        ({"password1": "short", "password2": "short"}, "password2", "password_too_short"),
    ],
)
def test_an_account_that_cannot_be_is_refused(boss, wrong, field, code):
    link = invited(boss)
    require_refused(Client().post(link, NEW | wrong), code, field)
    assert User.objects.count() == 1
    assert Client().post(link, NEW).status_code == 302


def test_an_invitation_ends(boss):
    taken_back, late, orphaned = invited(boss), invited(boss), invited(boss)
    boss.post(f"/accounts/invitations/{Invitation.objects.order_by('id')[0].pk}/end/")
    assert Client().post(taken_back, NEW).status_code == 404
    with time_machine.travel(timezone.now() + timedelta(days=8), tick=False):
        assert Client().post(late, NEW).status_code == 404
    User.objects.update(is_active=False)
    assert Client().post(orphaned, NEW).status_code == 404
    assert Client().get("/invitation/MQ:forged:by-a-stranger/").status_code == 404
    assert User.objects.count() == 1


def test_an_invitation_is_sent_by_mail_and_its_link_is_stored_nowhere(boss, settings):
    settings.EMAIL_HOST = "mail.example"
    assert boss.post("/accounts/", {"role": "view", "email": "grace@example.org"}).status_code == 302
    work = WorkItem.objects.get(name="access.mail_invitation")
    mail_invitation(**work.args)
    path = invitation_path(Invitation.objects.get())
    assert mail.outbox[0].to == ["grace@example.org"] and path.rpartition(":")[0] in mail.outbox[0].body
    assert "invitation/" not in str(work.args) and path.rpartition(":")[2].strip("/") not in scrub(path)
    link = re.search(r"http://testserver(/\S+)", mail.outbox[0].body)[1]
    Client().post(link, NEW)
    assert User.objects.get(username="grace").email == "grace@example.org"


def test_a_role_is_changed_on_the_page_but_not_the_own_one(boss):
    grace, ada = User.objects.create_user("grace", role="work"), User.objects.get(username="ada")
    desk = Client()
    desk.force_login(grace)
    assert desk.get("/machines/new/").status_code == 403
    change = {f"{grace.pk}-role": "set_up", f"{grace.pk}-is_active": "on"}
    assert boss.post(f"/accounts/{grace.pk}/", change).status_code == 302
    assert desk.get("/machines/new/").status_code == 200
    require_refused(boss.post(f"/accounts/{ada.pk}/", {f"{ada.pk}-role": "view"}), "own_role")
    boss.post(f"/accounts/{grace.pk}/", {f"{grace.pk}-role": "view"})
    assert desk.get("/").status_code == 302


def test_who_sets_up_does_not_close_the_account_that_manages_the_whole_service(boss):
    desk, ada = Client(), User.objects.get(username="ada")
    desk.force_login(User.objects.create_user("grace", role="set_up"))
    require_refused(desk.post(f"/accounts/{ada.pk}/", {f"{ada.pk}-role": "view"}), "whole_service")
    assert User.objects.get(username="ada").is_active


def test_sessions_and_tokens_of_another_person_are_ended(boss):
    grace = User.objects.create_user("grace", role="work")
    desk, (_, key) = Client(), add_token(grace, "scale", "weighings")
    desk.force_login(grace)
    keep = {f"{grace.pk}-role": "work", f"{grace.pk}-is_active": "on"}
    boss.post(f"/accounts/{grace.pk}/", keep)
    assert desk.get("/").status_code == 200 and look_up_token(key)
    boss.post(f"/accounts/{grace.pk}/", keep | {f"{grace.pk}-end_all": "on"})
    assert desk.get("/").status_code == 302 and not look_up_token(key)
