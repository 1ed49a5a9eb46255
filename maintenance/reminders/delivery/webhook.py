"""Webhooks, signed by the open Standard Webhooks scheme, which covers sender, time and id."""

import base64
import json
import secrets
from datetime import UTC, datetime

from standardwebhooks.webhooks import Webhook

from maintenance.events.wording import write_sentence
from maintenance.models import Message
from maintenance.reminders.delivery.posting import DeliveryFailed, post
from maintenance.reminders.delivery.wording import rendered

# The receiver is up but cannot take the message at present (RFC 9110, RFC 8470, RFC 6585).
NOT_NOW = {408, 425, 429}


def new_secret() -> str:
    """32 random bytes as the scheme writes them."""
    return "whsec_" + base64.b64encode(secrets.token_bytes(32)).decode()


def payload(message: Message) -> str:
    """The body: type, time of the event, and its data. The same data at each attempt."""
    body, purpose = message.body, message.purpose
    if purpose == Message.Purpose.SHOP:
        type_, data = body["kind"], body | {"sentence": write_sentence(body)}
    else:
        type_ = "test" if purpose == Message.Purpose.TEST else f"reminder.{body['type']}"
        data = rendered(body)
    timestamp = body.get("at", message.written_at.isoformat())
    body = {"type": type_, "timestamp": timestamp, "data": data}
    return json.dumps(body, ensure_ascii=False, separators=(",", ":"))


def send(message: Message) -> None:
    """Post it; raises DeliveryFailed unless it is answered with 2xx."""
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
        raise DeliveryFailed("receiver_refused", {"status": status}, channel_down=False)
    code = "receiver_moved" if status < 400 else "receiver_failed"
    raise DeliveryFailed(code, {"status": status}, retry_after_s=answer.retry_after_s)
