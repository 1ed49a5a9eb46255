"""Messages go nowhere inside: whatever the address looks like, and whatever a name resolves to."""

import socket
from ipaddress import ip_network

import pytest
from django.core.exceptions import ValidationError

from maintenance.models import Message
from maintenance.reminders.delivery import channels, outbox, posting
from maintenance.reminders.delivery.addresses import is_permitted
from tests.maintenance.reminders.delivery.conftest import work_until_quiet
from tests.refusals import codes_of, refuses

INSIDE = [
    *["127.0.0.1", "127.1", "2130706433", "0x7f000001", "0177.0.0.1", "[::1]", "[::ffff:127.0.0.1]"],
    *["0.0.0.0", "0.1.2.3", "[::]", "169.254.169.254", "[fe80::1]", "[64:ff9b::7f00:1]", "[2002:7f00:1::]"],
    *["224.0.0.1", "[ff02::1]", "255.255.255.255", "10.0.0.1", "192.168.1.20", "172.16.0.1", "[fd00::1]"],
]


@pytest.fixture(autouse=True)
def nothing_of_ours(settings):
    settings.WEBHOOK_NETWORKS = []


@pytest.mark.django_db
def test_no_inner_address_is_taken_or_connected_to(cleo, web):
    for host in INSIDE:
        address = f"http://{host}:{web.port}/hook"
        # Some spellings are no address to the library.
        with pytest.raises(ValidationError) as refused:
            channels.add_webhook(cleo, address)
        assert set(codes_of(refused.value)) <= {"address", "address_refused"}
        with pytest.raises(posting.DeliveryFailed, match="receiver_not_reached"):
            posting.post(address, b"", {})
    assert web.seen == []


@pytest.mark.parametrize("leads_to", ["127.0.0.1", "::ffff:127.0.0.1"])
def test_a_name_that_leads_inside_is_not_followed(monkeypatch, web, settings, leads_to):
    """The address that is connected to is looked at, not the name; the system's resolver answers as told."""
    resolve = socket.getaddrinfo

    def answer(host, port, *args, **options):
        return resolve(leads_to if host == "receiver.example" else host, port, *args, **options)

    monkeypatch.setattr(socket, "getaddrinfo", answer)
    address = f"http://receiver.example:{web.port}/hook"
    with pytest.raises(posting.DeliveryFailed, match="receiver_not_reached"):
        posting.post(address, b"", {})
    assert web.seen == []
    settings.WEBHOOK_NETWORKS = [ip_network("127.0.0.0/8")]
    assert posting.post(address, b"", {"content-length": "0"}).status == 200


def test_public_and_listed_addresses_are_permitted_and_this_machine_is_not(settings):
    assert is_permitted("93.184.216.34") and is_permitted("2606:2800:220:1::1")
    assert not is_permitted("192.168.1.20")
    settings.WEBHOOK_NETWORKS = [ip_network("192.168.1.0/24")]
    assert is_permitted("192.168.1.20") and is_permitted("::ffff:192.168.1.20")
    assert not is_permitted("192.168.2.20") and not is_permitted("127.0.0.1")


@pytest.mark.django_db
def test_an_answer_is_told_in_two_words(channel, web, settings):
    settings.WEBHOOK_NETWORKS = [ip_network("127.0.0.0/8")]
    for mood in (404, 500, 302):
        web.mood = mood
        outbox.send_test(channel("webhook", web.address))
        work_until_quiet()
    told = {message.error.sentence for message in Message.objects.all()}
    assert len(told) == 1 and "HTTP" not in told.pop()


@pytest.mark.django_db
def test_an_account_has_twenty_channels_and_five_tests_an_hour(cleo, channel):
    hook = channel("webhook", "https://r.example/0")
    for _ in range(5):
        outbox.send_test(hook)
    with refuses("too_many_tests"):
        outbox.send_test(hook)
    for number in range(19):
        channel("webhook", f"https://r.example/{number + 1}")
    with refuses("too_many_channels"):
        channels.add_webhook(cleo, "https://r.example/21")
    channels.end(hook)
    channels.add_webhook(cleo, "https://r.example/21")
