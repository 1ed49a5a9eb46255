"""Web Push as a push service and a browser see it, by the tests' own code, checked against RFC 8291."""

import json
import stat
import time

import pytest
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric import ec

from maintenance.models import Channel, Message
from maintenance.reminders.delivery import outbox, push
from spools.statements import Statement
from tests.maintenance.reminders.delivery.conftest import post, raised, work_until_quiet
from tests.maintenance.reminders.delivery.rfc8291 import (
    CURVE,
    Browser,
    claims_of,
    from_base64url,
    new_browser,
)

pytestmark = pytest.mark.django_db

# RFC 8291, section 5 and appendix A.
EXAMPLE_PRIVATE = "q1dXpw3UpT5VOmu_cf_v6ih07Aems3njxI-JWgLcM94"
EXAMPLE_PUBLIC = "BCVxsr7N_eNgVRqvHtD0zTZsEc6-VV-JvLexhqUzORcxaOzi6-AYWXvTBHm4bjyPjs7Vd8pZGH6SRpkNtoIAiw4"
EXAMPLE_AUTH = "BTBZMqHH6r4Tts7J_aSIgg"
EXAMPLE_BODY = (
    "DGv6ra1nlYgDCS1FRnbzlwAAEABBBP4z9KsN6nGRTbVYI_c7VJSPQTBtkgcy27mlmlMoZIIgDll6e3vCYLocInmYWAmS6TlzAC8w"
    "EqKK6PBru3jl7A_yl95bQpu6cVPTpK4Mqgkf1CXztLVBSt2Ks3oZwbuwXPXLWyouBWLVWGNWQexSgSxsj_Qulcy4a-fN"
)


@pytest.fixture
def browser() -> Browser:
    return new_browser()


@pytest.fixture
def subscribed(channel, web, browser) -> Channel:
    return channel("push", web.address, keys=browser.keys, name="Browser")


def test_the_tests_own_browser_reads_the_example_of_the_rfc():
    private = ec.derive_private_key(int.from_bytes(from_base64url(EXAMPLE_PRIVATE)), CURVE)
    example = Browser(private, from_base64url(EXAMPLE_AUTH))
    assert example.keys["p256dh"] == EXAMPLE_PUBLIC
    assert example.decrypt(from_base64url(EXAMPLE_BODY)) == b"When I grow up, I want to be a watermelon"


def test_only_the_browser_can_read_what_is_pushed(subscribed, web, browser):
    web.mood = 201
    [message] = post(raised(title="Re-dry 7KD-4QM (ÖÄ)"))
    work_until_quiet()
    [one] = web.received
    assert b"7KD" not in one.body and len(one.body) <= 4096
    assert json.loads(browser.decrypt(one.body)) == {
        "id": str(message.pk),
        "title": "Re-dry 7KD-4QM (ÖÄ)",
        "body": "0.9 %; limit 0.5 %. Dry it for 9 h at 70 °C.",
        "path": f"/reminders/{message.event.reminder_id}/",
        "tag": f"reminder-{message.event.reminder_id}",
    }
    assert one.headers["content-encoding"] == "aes128gcm"
    assert one.headers["ttl"] == "86400" and one.headers["urgency"] == "normal"
    assert one.headers["topic"] == f"reminder-{message.event.reminder_id}"


def test_urgent_reminders_are_sent_with_high_urgency(subscribed, web):
    post(raised(1, "urgent"))
    work_until_quiet()
    assert web.received[0].headers["urgency"] == "high"


def test_the_longest_reminder_fits_a_push(subscribed, web, browser):
    """RFC 8030, 7.2: a push service takes at least 4096 bytes."""
    post(raised(title="😀" * 2000, why="😀" * 2000))
    work_until_quiet()
    assert len(web.received[0].body) <= 4096
    shown = json.loads(browser.decrypt(web.received[0].body))
    assert (len(shown["title"]), len(shown["body"])) == (push.LONGEST_TITLE, push.LONGEST_TEXT)


def test_many_at_once_are_one_notification(subscribed, web, browser):
    post(*(raised(number) for number in range(9)))
    work_until_quiet()
    [one] = web.received
    assert json.loads(browser.decrypt(one.body))["title"] == "9 reminders"
    assert "topic" not in one.headers


def test_the_push_service_can_see_who_we_are(subscribed, web, settings):
    settings.DEFAULT_FROM_EMAIL = "Shop <shop@shop.example>"
    post(raised())
    work_until_quiet()
    authorization = web.received[0].headers["authorization"]
    claims, key = claims_of(authorization)
    assert claims["aud"] == f"http://127.0.0.1:{web.port}"
    assert claims["sub"] == "mailto:shop@shop.example"
    assert 0 < claims["exp"] - time.time() <= 24 * 3600
    assert key == push.public_key()
    head, _, rest = authorization.partition(".")
    with pytest.raises(InvalidSignature):
        claims_of(f"{head}.{'ey' + rest[2:].replace(rest[10], 'A', 1)}")


def test_the_key_is_made_once_and_kept_from_others(settings, tmp_path):
    first = push.public_key()
    path = tmp_path / "vapid_key"
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    push._make_key(path)
    assert push.public_key() == first and [file.name for file in tmp_path.iterdir()] == ["vapid_key"]
    settings.DATA_DIR = tmp_path / "elsewhere"
    settings.VAPID_PRIVATE_KEY = path.read_text()
    assert push.public_key() == first


@pytest.mark.parametrize("status", [404, 410])
def test_a_browser_that_is_gone_ends_its_channel_and_it_is_told(subscribed, web, status):
    web.mood = status
    post(raised(1), raised(2))
    work_until_quiet()
    subscribed.refresh_from_db()
    assert subscribed.ended_at is not None
    assert len(web.seen) == 1
    assert sorted(Message.objects.values_list("state", flat=True)) == ["expired", "failed"]
    assert Message.objects.get(state="failed").error.code == "delivery.push_ended"
    assert post(raised(3)) == []


def test_a_push_service_that_is_busy_is_tried_again(subscribed, web):
    web.mood = 429
    [message] = post(raised())
    work_until_quiet()
    message.refresh_from_db()
    assert message.state == "waiting" and message.error == Statement("delivery.push_failed", {"status": 429})


def test_keys_that_are_of_no_use_are_told(channel, web):
    hook = channel("push", web.address, keys={"p256dh": "AAAA", "auth": "AAAA"}, name="Browser")
    message = outbox.send_test(hook)
    work_until_quiet()
    message.refresh_from_db()
    assert message.state == "failed" and message.error.code == "delivery.push_keys"
