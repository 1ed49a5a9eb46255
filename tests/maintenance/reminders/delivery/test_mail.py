"""E-mail to a real SMTP server that refuses, hangs and goes away, and then takes everything."""

import subprocess

import pytest
from django.utils import timezone

from maintenance.models import Channel, Message
from maintenance.reminders.delivery import outbox
from spools.statements import Statement
from tests.maintenance.reminders.delivery.conftest import (
    post,
    raised,
    set_deadline,
    work_later,
    work_until_quiet,
)
from tests.maintenance.reminders.delivery.receivers import dripping_server
from tests.services.servers import free_port
from tests.services.shop import MANAGE, REPOSITORY, shop_env

pytestmark = pytest.mark.django_db


@pytest.fixture
def letters(channel, post_office) -> Channel:
    return channel("email", "ada@shop.example")


def test_the_e_mail_says_what_why_and_where_and_is_known_by_its_id(letters, post_office):
    title = "Re-dry 7KD-4QM (PA6 <natural>)"
    [message] = post(raised(title=title, why="1.2 % & rising", due_at=timezone.now()))
    work_until_quiet()
    [letter] = post_office.received
    assert post_office.recipients == [["ada@shop.example"]]
    assert letter["Subject"] == title
    assert letter["From"] == "Shop <shop@shop.example>" and letter["To"] == "ada@shop.example"
    assert letter["Message-ID"] == f"<{message.pk}@shop.example>"
    assert letter["List-Unsubscribe"] == "<https://shop.example/reminders/notifications/>"
    assert letter["Auto-Submitted"] == "auto-generated"
    text = letter.get_body(("plain",)).get_content()
    for words in (
        "PA6 <natural>",
        "1.2 % & rising",
        "Dry it for 9 h at 70 °C.",
        "Due: ",
        "https://shop.example/rem",
    ):
        assert words in text, words
    html = letter.get_body(("html",)).get_content()
    assert "PA6 &lt;natural&gt;" in html and "1.2 % &amp; rising" in html
    assert f'href="https://shop.example/reminders/{message.body["reminder"]}/"' in html


def test_the_e_mail_is_in_the_language_of_its_receiver(letters, post_office):
    letters.user.language = "de"
    letters.user.save()
    post(raised(due_at=timezone.now()))
    work_until_quiet()
    [letter] = post_office.received
    assert "Fällig: " in letter.get_body(("plain",)).get_content()
    assert '<html lang="de">' in letter.get_body(("html",)).get_content()


def test_a_title_with_line_breaks_adds_no_header(letters, post_office):
    post(raised(title="Re-dry\r\nBcc: eve@evil.example\n\nöäü"))
    work_until_quiet()
    [letter] = post_office.received
    assert letter["Bcc"] is None and letter["Subject"] == "Re-dry Bcc: eve@evil.example öäü"


def test_without_an_address_of_the_shop_there_are_no_links(letters, post_office, settings):
    settings.PUBLIC_URL = ""
    post(raised())
    work_until_quiet()
    [letter] = post_office.received
    assert letter["List-Unsubscribe"] is None
    assert "under Reminders" in letter.get_body(("plain",)).get_content()
    assert "href" not in letter.get_body(("html",)).get_content()


@pytest.mark.parametrize(
    ("at", "mood"),
    [("RCPT", "450 busy"), ("DATA", "451 later"), ("DATA", "hang"), ("DATA", "close"), ("RCPT", "close")],
)
def test_no_message_is_lost_whatever_the_mail_server_does(letters, post_office, monkeypatch, at, mood):
    set_deadline(monkeypatch, 0.4)
    post_office.at, post_office.mood = at, mood
    messages = post(*(raised(number) for number in range(3)))
    for minutes in (0, 10, 20):
        work_later(minutes)
    failed = Message.objects.exclude(error=None).first()
    assert failed is not None and failed.attempts > 0
    assert not Message.objects.exclude(state="waiting").exists()
    post_office.mood = "take"
    set_deadline(monkeypatch, 60)
    work_later(60)
    assert set(post_office.ids) == {str(message.pk) for message in messages}
    assert set(Message.objects.values_list("state", flat=True)) == {"sent"}


@pytest.mark.parametrize(("at", "mood"), [("RCPT", "550 no such box"), ("DATA", "554 not wanted")])
def test_a_permanent_refusal_fails_at_once_and_can_be_sent_again(letters, post_office, at, mood):
    post_office.at, post_office.mood = at, mood
    [message] = post(raised())
    work_until_quiet()
    message.refresh_from_db()
    assert message.state == "failed" and mood in message.error.sentence and post_office.sessions == 1
    letters.refresh_from_db()
    assert letters.failures == 0, "others may be wanted"
    post_office.mood = "take"
    outbox.retry(message)
    work_until_quiet()
    assert post_office.ids == [str(message.pk)]


def test_a_mail_server_that_is_down_costs_one_attempt(letters, settings):
    settings.EMAIL_PORT = free_port()
    post(*(raised(number) for number in range(4)))
    work_until_quiet()
    assert Message.objects.filter(attempts=1).count() == 1 and Message.objects.filter(attempts=0).count() == 3
    assert Message.objects.get(attempts=1).error.code == "delivery.mail_server_not_reached"


def test_a_mail_server_that_drips_costs_one_deadline(letters, settings, monkeypatch):
    set_deadline(monkeypatch, 0.4)
    with dripping_server() as settings.EMAIL_PORT:
        [message] = post(raised())
        work_until_quiet()
    message.refresh_from_db()
    assert message.state == "waiting" and message.error == Statement(
        "delivery.mail_too_slow", {"deadline_s": 0.4}
    )


def test_e_mail_that_is_not_set_up_is_the_error_of_the_message(letters, settings):
    settings.EMAIL_HOST = ""
    [message] = post(raised())
    work_until_quiet()
    message.refresh_from_db()
    assert message.error == Statement("delivery.mail_not_set_up")


def test_an_unknown_kind_of_security_is_refused_at_the_start(tmp_path):
    env = shop_env(tmp_path, EMAIL_SECURITY="ssl3")
    done = subprocess.run([*MANAGE, "check"], cwd=REPOSITORY, env=env, capture_output=True, text=True)
    assert done.returncode != 0 and "write one of none, starttls, tls" in done.stderr
