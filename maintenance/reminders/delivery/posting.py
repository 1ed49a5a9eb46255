"""A POST with an end: whoever answers slowly, drips or redirects costs one deadline and no more."""

import asyncio
import ssl
from dataclasses import dataclass
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from functools import cache

import httpx

# From the first look for the address to the answer's head, all in all.
DEADLINE_S = 20.0


class NotDelivered(Exception):
    """Why a try failed, in words for the person whose reminders these are.

    retry_after_s: what the receiver asked for. of_channel: whether others by the same way would fail, too.
    final: no further try can help. ends_channel: there is nobody there any more.
    """

    def __init__(
        self,
        why: str,
        *,
        retry_after_s: float | None = None,
        of_channel: bool = True,
        final: bool = False,
        ends_channel: bool = False,
    ) -> None:
        super().__init__(why)
        self.retry_after_s = retry_after_s
        self.of_channel = of_channel
        self.final = final
        self.ends_channel = ends_channel


@dataclass(frozen=True)
class Answer:
    """The head of an answer; the body is never read."""

    status: int
    retry_after_s: float | None


def post(address: str, content: bytes, headers: dict[str, str]) -> Answer:
    """Post and return how it was answered. Redirects are not followed.

    Raises NotDelivered when there is no answer within DEADLINE_S.
    """
    loop = asyncio.new_event_loop()
    try:
        return loop.run_until_complete(_post(address, content, headers))
    except TimeoutError:
        raise NotDelivered(f"There was no whole answer within {DEADLINE_S:g} s.") from None
    except (httpx.HTTPError, httpx.InvalidURL, ValueError, OSError) as error:
        raise NotDelivered(f"The receiver could not be reached ({error or type(error).__name__}).") from error
    finally:
        # asyncio.run would wait for the thread that asks for the address, however long that takes.
        loop.close()


async def _post(address: str, content: bytes, headers: dict[str, str]) -> Answer:
    async with (
        asyncio.timeout(DEADLINE_S),
        httpx.AsyncClient(timeout=DEADLINE_S, follow_redirects=False, verify=_trusted()) as client,
        client.stream("POST", address, content=content, headers=headers) as response,
    ):
        return Answer(response.status_code, _retry_after_s(response.headers.get("retry-after", "")))


@cache
def _trusted() -> ssl.SSLContext:
    """Reading all certificates takes longer than posting."""
    return httpx.create_ssl_context()


def _retry_after_s(said: str) -> float | None:
    """Seconds of a Retry-After, which holds seconds or a date (RFC 9110, 10.2.3); None without one."""
    if said.isascii() and said.isdecimal():
        return float(said[:9])
    try:
        at = parsedate_to_datetime(said)
    except (ValueError, OverflowError):
        return None
    return max(0.0, (at.replace(tzinfo=at.tzinfo or UTC) - datetime.now(UTC)).total_seconds())
