"""A POST with a deadline, also for a receiver that answers slowly, byte by byte, or redirects."""

import asyncio
import socket
import ssl
from dataclasses import dataclass
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from functools import cache
from typing import Any

import httpcore
import httpx

from maintenance.reminders.delivery.addresses import is_permitted
from spools.statements import Statement, Values

# From resolving the address to the head of the answer.
DEADLINE_S = 20.0
# What a receiver answers may be of any length.
LONGEST_REASON = 200


class DeliveryFailed(Exception):
    """The reason of a failed attempt, as a statement for the recipient.

    retry_after_s: the delay that the receiver asked for. channel_down: other messages to the channel would
    fail, too. permanent: no further attempt can help. channel_gone: the receiver does not exist any more.
    """

    def __init__(
        self,
        code: str,
        values: Values | None = None,
        *,
        retry_after_s: float | None = None,
        channel_down: bool = True,
        permanent: bool = False,
        channel_gone: bool = False,
    ) -> None:
        super().__init__(code)
        self.reason = Statement(f"delivery.{code}", values or {})
        self.retry_after_s = retry_after_s
        self.channel_down = channel_down
        self.permanent = permanent
        self.channel_gone = channel_gone


def describe_error(error: BaseException) -> str:
    """The text of an error of a library, or its name; at most LONGEST_REASON characters."""
    return (str(error) or type(error).__name__)[:LONGEST_REASON]


@dataclass(frozen=True)
class PostResponse:
    """The head of an answer; the body is never read."""

    status: int
    retry_after_s: float | None


def post(address: str, content: bytes, headers: dict[str, str]) -> PostResponse:
    """Post and return how it was answered. Redirects are not followed.

    Raises DeliveryFailed when there is no answer within DEADLINE_S.
    """
    loop = asyncio.new_event_loop()
    try:
        return loop.run_until_complete(_post(address, content, headers))
    except TimeoutError:
        raise DeliveryFailed("no_whole_answer", {"deadline_s": DEADLINE_S}) from None
    except (httpx.HTTPError, httpx.InvalidURL, ValueError, OSError) as error:
        raise DeliveryFailed("receiver_not_reached", {"reason": describe_error(error)}) from error
    finally:
        # asyncio.run would wait for the thread that asks for the address, however long that takes.
        loop.close()


async def _post(address: str, content: bytes, headers: dict[str, str]) -> PostResponse:
    async with (
        asyncio.timeout(DEADLINE_S),
        httpx.AsyncClient(timeout=DEADLINE_S, follow_redirects=False, transport=_Transport()) as client,
        client.stream("POST", address, content=content, headers=headers) as response,
    ):
        return PostResponse(response.status_code, _retry_after_s(response.headers.get("retry-after", "")))


class _Network(httpcore.AsyncNetworkBackend):
    """Connects to permitted addresses alone: the name is resolved here, once, so it cannot lead elsewhere later."""

    def __init__(self) -> None:
        self.backend = httpcore.AnyIOBackend()

    async def connect_tcp(self, host: str, port: int, *args: Any, **options: Any) -> Any:
        found = await asyncio.get_running_loop().getaddrinfo(host, port, type=socket.SOCK_STREAM)
        failure: Exception = httpcore.ConnectError("no permitted address")
        for address in dict.fromkeys(str(entry[4][0]) for entry in found):
            if not is_permitted(address):
                continue
            try:
                return await self.backend.connect_tcp(address, port, *args, **options)
            except httpcore.ConnectError as error:
                failure = error
        raise failure

    async def sleep(self, seconds: float) -> None:
        await self.backend.sleep(seconds)


class _Transport(httpx.AsyncHTTPTransport):
    def __init__(self) -> None:
        super().__init__(verify=_trusted())
        self._pool = httpcore.AsyncConnectionPool(ssl_context=_trusted(), network_backend=_Network())


@cache
def _trusted() -> ssl.SSLContext:
    """Reading all certificates takes longer than posting."""
    return httpx.create_ssl_context()


def _retry_after_s(header: str) -> float | None:
    """Seconds of a Retry-After, which holds seconds or a date (RFC 9110, 10.2.3); None without one."""
    if header.isascii() and header.isdecimal():
        return float(header[:9])
    try:
        at = parsedate_to_datetime(header)
    except (ValueError, OverflowError):
        return None
    return max(0.0, (at.replace(tzinfo=at.tzinfo or UTC) - datetime.now(UTC)).total_seconds())
