"""Notifications of a browser: Web Push (RFC 8030), encrypted (RFC 8291), from a known sender (RFC 8292)."""

import json
import os
import time
from email.utils import parseaddr
from pathlib import Path
from tempfile import NamedTemporaryFile
from typing import Any
from urllib.parse import urlsplit

from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat
from django.conf import settings
from py_vapid import Vapid02, VapidException
from py_vapid.utils import b64urlencode

from maintenance.models import Message
from maintenance.reminders.delivery.posting import DeliveryFailed, describe_error, post
from maintenance.reminders.delivery.wording import count_reminders, rendered, subject_of

# A push service stores it so long for a browser that is off; older reminders are on the page.
TTL_S = 24 * 3600
# RFC 8292 allows a day; half of it leaves room for a clock that is wrong.
SIGNED_FOR_S = 12 * 3600
GONE = {404, 410}
# A push service takes at least 4096 bytes (RFC 8030, 7.2); no character takes more than four.
LONGEST_TITLE, LONGEST_TEXT = 160, 500


def send(message: Message) -> None:
    """Hand the message to the push service of the browser. Raises DeliveryFailed if it is not accepted."""
    channel, body = message.channel, message.body
    subscription = {"endpoint": channel.address, "keys": channel.keys}
    try:
        content = encrypted(subscription, notification(message))
        signed = _key().sign(_claims(channel.address))
    except (VapidException, ValueError) as error:
        reason = {"reason": describe_error(error)}
        raise DeliveryFailed("push_keys", reason, permanent=True, channel_down=False) from error
    headers = {
        "content-type": "application/octet-stream",
        "content-encoding": "aes128gcm",
        "ttl": str(TTL_S),
        "urgency": "high" if body.get("urgent") else "normal",
        "authorization": signed["Authorization"],
    }
    if "reminder" in body:
        # Replaces a message about the same reminder that still waits at the push service.
        headers["topic"] = f"reminder-{body['reminder']}"
    answer = post(channel.address, content, headers)
    if answer.status in GONE:
        raise DeliveryFailed("push_ended", {"status": answer.status}, channel_gone=True)
    if not 200 <= answer.status < 300:
        status = {"status": answer.status}
        raise DeliveryFailed("push_failed", status, retry_after_s=answer.retry_after_s)


def notification(message: Message) -> bytes:
    """The content that the service worker shows (static/worker.js)."""
    body = rendered(message.body)
    entries = body.get("entries", [])
    title = count_reminders(len(entries) + body["more"]) if len(entries) > 1 else subject_of(body)
    text = subject_of(body) if entries else f"{body['reason']['sentence']} {body['remedy']['sentence']}"
    content = {
        "id": str(message.pk),
        "title": _shorten(title, LONGEST_TITLE),
        "body": _shorten(text, LONGEST_TEXT),
        "path": body["path"],
        "tag": f"reminder-{body['reminder']}" if "reminder" in body else str(message.pk),
    }
    return json.dumps(content, ensure_ascii=False).encode()


def _shorten(text: str, limit: int) -> str:
    return text if len(text) <= limit else text[: limit - 1] + "…"


def encrypted(subscription: dict[str, Any], content: bytes) -> bytes:
    """The content as only that browser can read it. Raises ValueError for bad keys."""
    # Imported when first wanted: it brings an HTTP client along that nothing here uses.
    from pywebpush import WebPusher, WebPushException

    try:
        return WebPusher(subscription).encode(content)["body"]
    except WebPushException as error:
        raise ValueError(str(error)) from error


def public_key() -> str:
    """Our public key in base64url: the browser accepts notifications that are signed with it."""
    point = _key().public_key.public_bytes(Encoding.X962, PublicFormat.UncompressedPoint)
    return b64urlencode(point)


def _claims(address: str) -> dict[str, Any]:
    parts = urlsplit(address)
    contact = parseaddr(settings.DEFAULT_FROM_EMAIL)[1]
    return {
        "aud": f"{parts.scheme}://{parts.netloc}",
        "exp": int(time.time()) + SIGNED_FOR_S,
        "sub": f"mailto:{contact}",
    }


def _key() -> Vapid02:
    """The key from the environment, else the one in the data folder, made once."""
    if settings.VAPID_PRIVATE_KEY:
        return Vapid02.from_string(settings.VAPID_PRIVATE_KEY)
    path = Path(settings.DATA_DIR) / "vapid_key"
    if not path.exists():
        _make_key(path)
    return Vapid02.from_string(path.read_text().strip())


def _make_key(path: Path) -> None:
    """Another process may do so, too: the first one's key stays, and is never seen half written."""
    pair = Vapid02()
    pair.generate_keys()
    number = pair.private_key.private_numbers().private_value
    # Its mode is 0600.
    with NamedTemporaryFile("w", dir=path.parent) as file:
        file.write(b64urlencode(number.to_bytes(32)))
        file.flush()
        try:
            os.link(file.name, path)
        except FileExistsError:
            return
