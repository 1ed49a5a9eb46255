"""An e-mail address gets one link, and nothing else before somebody has opened it."""

import re
from datetime import timedelta

import pytest
import time_machine
from django.test import Client
from django.utils import timezone

from maintenance.models import Channel, Message
from maintenance.reminders.delivery import channels, confirmation
from tests.maintenance.reminders.delivery.conftest import post, raised, work_until_quiet

pytestmark = pytest.mark.django_db


def test_nothing_but_the_link_is_sent_before_it_was_opened(cleo, post_office):
    mail = channels.add_email(cleo, "ada@shop.example")
    channels.subscribe(mail, channels.ALL_AT_ONCE)
    assert post(raised(1)) == []
    work_until_quiet()
    [sent] = post_office.received
    text = sent.get_body(("plain",)).get_content()
    path = re.search(r"https://shop\.example(/\S+/confirm/\S+/)", text)[1]
    stranger = Client()
    # Mail programs open links by themselves.
    assert b"ada@shop.example" in stranger.get(path).content
    assert Channel.objects.get().unconfirmed
    assert stranger.post(path).status_code == 302
    assert not Channel.objects.get().unconfirmed
    assert len(post(raised(2))) == 1
    work_until_quiet()
    assert len(post_office.received) == 2


def test_a_link_is_good_for_its_address_for_three_days(cleo):
    mail = channels.add_email(cleo, "ada@shop.example")
    token = confirmation.write(mail)
    assert confirmation.find_channel(token) == mail
    assert confirmation.find_channel(token + "x") is None
    other = channels.add_email(cleo, "bob@shop.example")
    Channel.objects.filter(pk=other.pk).update(address="eve@shop.example")
    assert confirmation.find_channel(confirmation.write(other)) is None
    with time_machine.travel(timezone.now() + timedelta(days=3, minutes=1)):
        assert confirmation.find_channel(token) is None
        assert Client().get(f"/reminders/notifications/confirm/{token}/").status_code == 404
    channels.end(mail)
    assert confirmation.find_channel(token) is None


def test_without_a_public_address_the_link_leads_where_the_page_was_opened(cleo, settings):
    settings.PUBLIC_URL = ""
    desk = Client()
    desk.force_login(cleo)
    desk.post("/reminders/notifications/email/", {"address": "ada@shop.example"})
    assert Message.objects.get().body["link"].startswith("http://testserver/reminders/")
