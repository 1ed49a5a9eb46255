"""Requests that are sent twice: the first answer is stored with the facts and replayed.

A form or an API request that records facts carries a key. The key is claimed in the transaction of the facts,
so a request that is sent again while the first still runs waits for it and then gets the same answer.
"""

import hashlib
import json
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, TypeVar

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils.datastructures import MultiValueDict
from django.utils.translation import gettext as _

from spools.models import SentRequest

MAX_KEY_LENGTH = 100
KEPT_FOR = timedelta(days=7)
ResponseT = TypeVar("ResponseT")


class KeyReused(ValidationError):
    """A key came with other content than before."""

    def __init__(self) -> None:
        super().__init__(
            _("This key was sent before with other content. Nothing was recorded. Give a new key."),
            code="key_reused",
        )


@dataclass(frozen=True)
class KeyedRequest:
    """A request with its key. content: the inputs, as parsed; files among them are read and rewound."""

    account: Any
    address: str
    key: str
    content: Any

    def digest(self) -> str:
        """SHA-256 of the content, independent of the order of its fields."""
        text = json.dumps(_comparable(self.content), sort_keys=True, default=str)
        return hashlib.sha256(text.encode()).hexdigest()


def answer_once(
    request: KeyedRequest,
    act: Callable[[], ResponseT],
    pack: Callable[[ResponseT], tuple[int, str] | None],
    unpack: Callable[[int, str], ResponseT],
) -> ResponseT:
    """The answer of act(), which is called once for a key of an account and an address; later the same again.

    pack: (status, content) of an answer that is stored with its key, or None for one that recorded nothing:
    then the key may be used again, as it may when act() raises. Raises KeyReused when the key came with other
    content.
    """
    with transaction.atomic():
        # A second request with this key waits here until the first has committed.
        row, is_new = SentRequest.objects.get_or_create(
            account=request.account,
            address=request.address[:300],
            key=request.key,
            defaults={"digest": request.digest()},
        )
        if not is_new:
            if row.digest != request.digest():
                raise KeyReused
            return unpack(row.status, row.answer)
        response = act()
        packed = pack(response)
        if packed is None:
            row.delete()
        else:
            row.status, row.answer = packed
            row.save(update_fields=["status", "answer"])
        return response


def prune(now: datetime) -> int:
    """Delete the keys of requests that nobody sends again, and return how many."""
    return SentRequest.objects.filter(sent_at__lt=now - KEPT_FOR).delete()[0]


def _comparable(content: Any) -> Any:
    if isinstance(content, MultiValueDict):
        return {name: [_comparable(value) for value in values] for name, values in content.lists()}
    if isinstance(content, dict):
        return {str(name): _comparable(value) for name, value in content.items()}
    if isinstance(content, (list, tuple)):
        return [_comparable(value) for value in content]
    if hasattr(content, "read"):
        read = hashlib.file_digest(content, "sha256").hexdigest()
        content.seek(0)
        return read
    return content
