"""The id of a web request, passed on to the background work that it causes.

It is part of each log line (background/logs.py), and of each row of the job table (WorkItem.origin).
"""

from collections.abc import Iterator
from contextlib import contextmanager
from uuid import UUID

from structlog.contextvars import bound_contextvars, get_contextvars


def request_id() -> str:
    """The id of the web request that this thread works for, directly or as background work; else empty."""
    return str(get_contextvars().get("request_id", ""))


@contextmanager
def bind_work(work_id: UUID, name: str, attempt: int, queue: str, origin: str) -> Iterator[None]:
    """Add the work, and the request that caused it, to the log lines of this block."""
    names = {"work_id": str(work_id), "work": name, "attempt": attempt, "queue": queue}
    with bound_contextvars(request_id=origin, **names):
        yield
