"""Webhooks, signed by the open Standard Webhooks scheme: who sent it, when, and which one it is."""

import base64
import json
import secrets
from datetime import UTC, datetime

from standardwebhooks.webhooks import Webhook

from maintenance.models import Message
from maintenance.reminders.delivery.posting import NotDelivered, post

# The receiver is there, and has only this against it: that it comes now (RFC 9110, RFC 8470, RFC 6585).
NOT_NOW = {408, 425, 429}


def new_secret() -> str:
    """32 random bytes as the scheme writes them."""
    return "whsec_" + base64.b64encode(secrets.token_bytes(32)).decode()


def payload(message: Message) -> str:
    """The body: type, time of the event, and what it is about. The same text at each try."""
    body = {
        "type": "test" if message.purpose == Message.Purpose.TEST else f"reminder.{message.body['what']}",
        "timestamp": message.body.get("at", message.written_at.isoformat()),
        "data": message.body,
    }
    return json.dumps(body, ensure_ascii=False, separators=(",", ":"))


def send(message: Message) -> None:
    """Post it; raises NotDelivered unless it is answered with 2xx."""
    channel, text = message.channel, payload(message)
    now = datetime.now(UTC)
    signature = Webhook(channel.secret).sign(str(message.pk), now, text)
    answer = post(
        channel.address,
        text.encode(),
        {
            "content-type": "application/json",
            "user-agent": "Loadworthy",
            "webhook-id": str(message.pk),
            "webhook-timestamp": str(int(now.timestamp())),
            "webhook-signature": signature,
        },
    )
    status = answer.status
    if 200 <= status < 300:
        return
    if 400 <= status < 500 and status not in NOT_NOW:
        raise NotDelivered(
            f"The receiver refused it (HTTP {status}). See what it has against it.",
            of_channel=False,
        )
    moved = " It points elsewhere, which is not followed: give the new address." if status < 400 else ""
    raise NotDelivered(f"The receiver answered HTTP {status}.{moved}", retry_after_s=answer.retry_after_s)
