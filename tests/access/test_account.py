"""My account: sessions, password, a second factor, and a forgotten password."""

import re
from datetime import timedelta

import pytest
import time_machine
from django.contrib.auth import get_user_model
from django.core import mail
from django.test import Client
from django.utils import timezone
from django_otp.oath import totp
from django_otp.plugins.otp_static.models import StaticDevice, StaticToken
from django_otp.plugins.otp_totp.models import TOTPDevice

from access.browsers import describe_browser
from access.models import Session, SignInTries
from access.tasks import mail_reset
from background.models import WorkItem
from tests.pages.shown import notes, require_refused, shows

NAME, PASSWORD, OTHER = "ada", "filament-and-dry-air", "winding-and-core"


@pytest.fixture
def ada(db):
    return get_user_model().objects.create_user(NAME, role="work", password=PASSWORD, email="ada@example.org")


def signed_in(password: str = PASSWORD, **values) -> Client:
    client = Client(**values)
    client.post("/sign-in/", {"username": NAME, "password": password})
    return client


def is_in(client: Client) -> bool:
    return client.get("/account/").status_code == 200


def choose(client: Client, **changes):
    given = {"old_password": PASSWORD, "new_password1": OTHER, "new_password2": OTHER}
    return client.post("/accounts/password/", given | changes)


def test_sessions_are_listed_and_ended_everywhere_but_here(ada):
    phone = signed_in(headers={"User-Agent": "Phone"}, REMOTE_ADDR="192.0.2.9")
    desk = signed_in(headers={"User-Agent": "Desk"})
    page = desk.get("/account/")
    assert shows(page, "Phone", "192.0.2.9", note="session") and shows(page, "Desk", note="session")
    desk.post("/account/sign-out/")
    assert is_in(desk) and not is_in(phone)


@pytest.mark.parametrize(
    ("agent", "words"),
    [
        (
            "Mozilla/5.0 (X11; Linux x86_64) AppleWebKit/537.36 Chrome/140.0 Safari/537.36",
            "Chromium on Linux",
        ),
        (
            "Mozilla/5.0 (Linux; Android 10; K) AppleWebKit/537.36 Chrome/140.0 Mobile Safari/537.36",
            "Chromium on Android",
        ),
        ("Mozilla/5.0 (Windows NT 10.0; rv:140.0) Gecko/20100101 Firefox/140.0", "Firefox on Windows"),
        (
            "Mozilla/5.0 (iPhone; CPU iPhone OS 18_0 like Mac OS X) Version/18.0 Mobile Safari/604.1",
            "Safari on iPhone",
        ),
        ("script/1.0", "script"),
        ("", "Unknown browser"),
        ("(" + "x" * 200, "Unknown browser"),
    ],
)
def test_a_browser_is_told_in_words(agent, words):
    assert describe_browser(agent) == words


def test_a_session_ends_when_idle_and_after_a_month(ada):
    client, start = signed_in(), timezone.now()
    for day in range(6, 30, 6):
        with time_machine.travel(start + timedelta(days=day), tick=False):
            assert is_in(client), day
    with time_machine.travel(start + timedelta(days=30, hours=12), tick=False):
        assert not is_in(client)
    idle = signed_in()
    with time_machine.travel(start + timedelta(days=8), tick=False):
        assert not is_in(idle)


def test_a_changed_password_ends_other_sessions(ada):
    desk, phone = signed_in(), signed_in()
    assert choose(desk).status_code == 302
    assert is_in(desk) and not is_in(phone)


def test_a_password_that_somebody_else_chose_is_changed_first(ada):
    ada.must_change_password = True
    ada.save()
    client = signed_in()
    assert client.get("/").headers["Location"] == "/accounts/password/"
    assert client.get("/api/v1/places").status_code == 403
    token = {"username": NAME, "password": PASSWORD, "name": "x", "scope": "read"}
    refused = Client().post("/api/v1/token", token, "application/json")
    assert refused.json()["errors"][0]["code"] == "must_change_password"
    choose(client)
    assert client.get("/").status_code == 200


def with_second_factor(client: Client) -> tuple[TOTPDevice, list[str]]:
    assert client.get("/account/second-factor/").status_code == 200
    device = TOTPDevice.objects.get()
    page = client.post("/account/second-factor/", {"code": code_of(device, 0), "present_password": PASSWORD})
    assert "recovery" in notes(page)
    return TOTPDevice.objects.get(), re.findall(r"\b[0-9a-f]{20}\b", page.content.decode())


def code_of(device: TOTPDevice, steps: int) -> str:
    """The code that the app shows some half minutes later."""
    return f"{totp(device.bin_key, t0=-30 * steps):06d}"


def forget_wrong_codes() -> None:
    for model in (TOTPDevice, StaticDevice):
        model.objects.update(throttling_failure_count=0, throttling_failure_timestamp=None)


def test_a_second_factor_is_asked_for_after_the_password(ada):
    desk = signed_in()
    device, recovery = with_second_factor(desk)
    assert len(recovery) == 10 and not StaticToken.objects.filter(token__in=recovery).exists()
    other = Client()
    answer = other.post(
        "/sign-in/?next=/spools/", {"username": NAME, "password": PASSWORD, "next": "/spools/"}
    )
    assert answer.headers["Location"] == "/sign-in/code/" and not is_in(other)
    answer = other.post("/sign-in/code/", {"code": recovery[0].upper()})
    assert answer.headers["Location"] == "/spools/" and is_in(other)
    again = signed_in()
    require_refused(again.post("/sign-in/code/", {"code": recovery[0]}), "wrong_code", "code")
    forget_wrong_codes()
    assert again.post("/sign-in/code/", {"code": code_of(device, 1)}).status_code == 302
    assert is_in(again)
    replay = signed_in()
    require_refused(replay.post("/sign-in/code/", {"code": code_of(device, 1)}), "wrong_code", "code")


def test_the_second_step_is_open_for_minutes_after_the_password(ada):
    device, _ = with_second_factor(signed_in())
    assert Client().post("/sign-in/code/", {"code": code_of(device, 1)}).headers["Location"] == "/sign-in/"
    late = signed_in()
    with time_machine.travel(timezone.now() + timedelta(minutes=6), tick=False):
        assert late.post("/sign-in/code/", {"code": code_of(device, 0)}).headers["Location"] == "/sign-in/"


def test_a_token_needs_the_code_too_and_removal_needs_it(ada):
    desk = signed_in()
    _, recovery = with_second_factor(desk)
    asked = {"username": NAME, "password": PASSWORD, "name": "x", "scope": "read"}
    refused = Client().post("/api/v1/token", asked, "application/json")
    assert refused.json()["errors"][0]["code"] == "wrong_code"
    forget_wrong_codes()
    desk.post("/account/second-factor/end/", {"code": "000000"})
    assert TOTPDevice.objects.exists()
    forget_wrong_codes()
    desk.post("/account/second-factor/end/", {"code": recovery[3]})
    assert not TOTPDevice.objects.exists()
    assert Client().post("/api/v1/token", asked, "application/json").status_code == 200


def test_a_second_factor_may_be_needed_by_everybody(ada, settings):
    settings.SECOND_FACTOR_NEEDED = True
    client = signed_in()
    assert client.get("/").headers["Location"] == "/account/second-factor/"
    assert client.get("/api/v1/places").status_code == 403
    asked = {"username": NAME, "password": PASSWORD, "name": "x", "scope": "read"}
    refused = Client().post("/api/v1/token", asked, "application/json")
    assert refused.json()["errors"][0]["code"] == "must_add_factor"
    with_second_factor(client)
    assert client.get("/").status_code == 200 and client.get("/api/v1/places").status_code == 200


def test_a_forgotten_password_is_chosen_anew_by_a_link(ada, settings):
    settings.EMAIL_HOST = "mail.example"
    known, unknown = (Client().post("/sign-in/forgotten/", {"name": name}) for name in (NAME, "nobody"))
    assert notes(known) == notes(unknown) >= {"is_sent"}
    work = WorkItem.objects.get(name="access.mail_reset")
    mail_reset(**work.args)
    (sent,) = mail.outbox
    link = re.search(r"http://testserver(/\S+)", sent.body)[1]
    assert sent.to == ["ada@example.org"] and link not in str(work.args)
    client = Client()
    page = client.get(link, follow=True)
    given = {"new_password1": OTHER, "new_password2": OTHER}
    assert client.post(page.request["PATH_INFO"], given).status_code == 302
    assert is_in(signed_in(OTHER)) and not is_in(signed_in())
    assert "link_ended" in notes(Client().get(link, follow=True))


def test_links_to_choose_anew_are_limited_and_need_mail(ada, settings):
    assert "no_mail" in notes(Client().get("/sign-in/forgotten/"))
    settings.EMAIL_HOST = "mail.example"
    answers = [Client().post("/sign-in/forgotten/", {"name": NAME}).status_code for _ in range(4)]
    assert answers == [200, 200, 200, 429]


def test_a_session_that_was_left_open_is_not_made_somebody_elses_account(ada):
    desk = signed_in()
    theirs = {"email": "mallory@example.org", "present_password": "guess"}
    require_refused(desk.post("/account/", theirs), "wrong_password", "present_password")
    desk.get("/account/second-factor/")
    code = code_of(TOTPDevice.objects.get(user=ada), 0)
    page = desk.post("/account/second-factor/", {"code": code, "present_password": "guess"})
    require_refused(page, "wrong_password", "present_password")
    assert not TOTPDevice.objects.filter(confirmed=True).exists()
    answers = [desk.post("/account/", theirs).status_code for _ in range(5)]
    assert answers[-1] == 429
    SignInTries.objects.all().delete()
    desk.post("/account/", {"email": "new@example.org", "present_password": PASSWORD})
    ada.refresh_from_db()
    assert ada.email == "new@example.org"


@pytest.mark.parametrize(
    ("password", "code"),
    [
        ("short", "password_too_short"),
        ("football1", "password_too_common"),
        ("Filament2026!", "password_of_shop_words"),
        ("spool-printer-9", "password_of_shop_words"),
        ("nozzle and the moon", None),
        ("ж" * 100 + " 'any' <characters> ", None),
    ],
)
def test_a_password_is_long_uncommon_and_not_of_the_shop(ada, password, code):
    desk = signed_in()
    page = choose(desk, new_password1=password, new_password2=password)
    if code is None:
        assert page.status_code == 302 and is_in(signed_in(password))
    else:
        require_refused(page, code, "new_password2")


def test_sessions_of_strangers_belong_to_nobody(ada):
    signed_in()
    assert [session.user for session in Session.objects.all()] == [ada]
