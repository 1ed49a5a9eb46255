"""From a tap to its effect: the mark of a web request, which goes on to the work that it asks for.

What is bound here stands in each log line (background/logs.py), and in WorkItem.origin.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from uuid import UUID

from structlog.contextvars import bound_contextvars, get_contextvars


def request_id() -> str:
    """Of the web request that this thread works for, directly or as background work; else empty."""
    return str(get_contextvars().get("request_id", ""))


@contextmanager
def work_of(work_id: UUID, name: str, attempt: int, queue: str, origin: str) -> Iterator[None]:
    """Log lines of this block name the work, and the request that it came from."""
    names = {"work_id": str(work_id), "work": name, "attempt": attempt, "queue": queue}
    with bound_contextvars(request_id=origin, **names):
        yield
