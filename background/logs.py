"""Format of log lines: text, or one JSON object a line. Code logs through the standard library as usual.

A line of a web request has its id, its path, the address of the client and the user; a line of background work has
the id, name, attempt and queue of the work, and the id of the request that caused it (background/trace.py).
"""

import re
from collections.abc import MutableMapping
from contextvars import ContextVar
from typing import Any

import structlog
from django.http import HttpRequest
from django.utils.functional import SimpleLazyObject
from structlog.typing import Processor

from background.scrub import scrub

FORMATS = ("text", "json")
Line = MutableMapping[str, Any]
# Of a request's META: the id that its middleware gave it.
REQUEST_ID = "loadworthy.request_id"
# Characters that start a line, move a terminal's cursor or turn the direction of text; half characters.
CONTROL = re.compile("[\x00-\x1f\x7f-\x9f\u061c\u200b-\u200f\u2028-\u202e\u2066-\u2069\ufeff\ud800-\udfff]")
current_request: ContextVar[HttpRequest | None] = ContextVar("current_request", default=None)


def build_configuration(form: str, level: str) -> dict[str, Any]:
    """The LOGGING setting. form: one of FORMATS."""
    before: list[Processor] = [
        structlog.stdlib.add_log_level,
        structlog.stdlib.add_logger_name,
        structlog.contextvars.merge_contextvars,
        _add_request,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
        structlog.processors.format_exc_info,
        _scrub_line,
    ]
    as_json = structlog.processors.JSONRenderer(ensure_ascii=False)
    last: Processor = as_json if form == "json" else _render_text
    return {
        "version": 1,
        "disable_existing_loggers": False,
        "formatters": {
            "line": {
                "()": structlog.stdlib.ProcessorFormatter,
                "foreign_pre_chain": before,
                "processors": [structlog.stdlib.ProcessorFormatter.remove_processors_meta, last],
            }
        },
        "handlers": {"console": {"class": "logging.StreamHandler", "formatter": "line"}},
        "root": {"handlers": ["console"], "level": level},
        # They log every address that they request, with its parameters.
        "loggers": {name: {"level": "WARNING"} for name in ("httpx", "httpcore", "urllib3")},
    }


def _add_request(_logger: object, _method: str, line: Line) -> Line:
    request = current_request.get()
    if request is None:
        # Django logs an answer after the middleware has ended; its record has the request.
        request = getattr(line.get("_record"), "request", None)
    if isinstance(request, HttpRequest):
        line.setdefault("request_id", request.META.get(REQUEST_ID, ""))
        line["path"] = request.path
        line["client"] = request.META.get("REMOTE_ADDR", "")
        user = request.__dict__.get("user")
        if isinstance(user, SimpleLazyObject):
            # Only if loaded already: loading it would query the database, which may have just failed.
            user = request.__dict__.get("_cached_user")
        if user is not None and user.pk is not None:
            line["user_id"] = user.pk
    return line


def _scrub_line(_logger: object, _method: str, line: Line) -> Line:
    for name, value in line.items():
        if isinstance(value, str):
            line[name] = scrub(value)
    return line


def _render_text(_logger: object, _method: str, line: Line) -> str:
    head = [str(line.pop(name)) for name in ("timestamp", "level", "logger")]
    event, trace = line.pop("event"), line.pop("exception", None)
    fields = " ".join(f"{name}={value}" for name, value in line.items() if value != "")
    text = _escape(f"{head[0]} {head[1].upper()} {head[2]}: {event}" + (f" [{fields}]" if fields else ""))
    # The mark at their start: the text of an error cannot pass for a line of its own.
    return "\n".join([text, *(f"| {_escape(part)}" for part in (trace or "").split("\n") if part)])


def _escape(text: str) -> str:
    return CONTROL.sub(lambda found: found[0].encode("unicode_escape").decode(), text)
