#!/usr/bin/env python3
"""Reports to Loadworthy what a printer does, and asks whether a job may start. Python 3.8 or later, nothing else.

    printer_client.py may-start --toolhead 1 --file bracket.gcode    # 0: it may, 1: it may not, 2: no answer
    printer_client.py event started --printer "Printer 1" --job 4711 --file bracket.gcode
    printer_client.py event finished --printer "Printer 1" --job 4711 --metres 12.5
    printer_client.py send                                           # what could not be sent before

The folder LOADWORTHY_FOLDER (~/.loadworthy) holds the queue, and a file "settings" that only its owner can read:

    LOADWORTHY_URL=https://shop.example
    LOADWORTHY_TOKEN=lw_...

Environment variables of the same names come first. Docs: docs/neighbours/printers.md.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import math
import os
import random
import re
import sqlite3
import sys
import time
import urllib.error
import urllib.request
import uuid
from contextlib import closing, contextmanager
from datetime import datetime, timezone
from email.utils import parsedate_to_datetime
from functools import partialmethod
from http.client import HTTPException
from pathlib import Path
from typing import Any, Iterator, NamedTuple
from urllib.parse import urlencode, urlsplit

KINDS = (
    "planned",
    "started",
    "progress",
    "paused",
    "resumed",
    "ran_out",
    "spool_changed",
    "finished",
    "failed",
    "stopped",
)
# What an event can say, as options of the command: their kinds and meanings.
JOB_FIELDS: dict[str, tuple[type, str]] = {
    "toolhead": (str, "its id or name, where the printer has several"),
    "spool": (str, "its code; without it the spool that is loaded"),
    "file": (str, "the job file, or the SHA-256 of its content"),
    "mass_g": (float, "grams of the whole job"),
    "hours": (float, "hours of the whole job"),
    "nozzle_c": (float, "temperature of the nozzle, °C"),
    "bed_c": (float, "temperature of the bed, °C"),
}
EVENT_FIELDS: dict[str, tuple[type, str]] = {
    "name": (str, "of the job"),
    "start": (str, "when a planned job is to begin"),
    **JOB_FIELDS,
    "metres": (float, "of filament extruded since the start"),
    "pct": (float, "of the job that is printed"),
    "parts": (int, "how many were printed at once"),
    "good_parts": (int, "how many of them are good"),
    "reason": (str, "why it paused, failed or stopped"),
    "unload_to": (str, "the place where the former spool goes, by its id or name"),
}
ASK_FIELDS = {
    "printer": (str, "its id or name; then the toolhead is one of its names, or left out where there is one"),
    **JOB_FIELDS,
    "max_flow_mm3_s": (float, "fastest flow of the job"),
    "feedstock": (str, "the id of the material that the job was made for"),
    "polymer": (str, "the id of the polymer that the job was made for"),
    "slot": (int, "of a toolhead with spools in several"),
    "job": (str, "the print host's own id of the print, whose plan is not in its way"),
    "name": (str, "of the job, likewise"),
}
BATCH = 200
MOST_WAIT_S = 60.0
MOST_ANSWER_BYTES = 16 * 2**20
# A clock that is this close is right: an answer takes a moment, too.
CLOCK_TOLERANCE_S = 2.0
# A wrong one is compared until the difference lies within this; HTTP tells whole seconds.
NARROW_S, MOST_LOOKS = 1.3, 8
SCHEMA = """
CREATE TABLE IF NOT EXISTS events (
    number INTEGER PRIMARY KEY AUTOINCREMENT,
    id TEXT NOT NULL UNIQUE,
    at REAL NOT NULL,
    boot TEXT,
    boot_s REAL,
    content TEXT NOT NULL,
    sent TEXT,
    refused TEXT
)
"""


class NoAnswer(Exception):
    """The shop gave no answer now; later it may. wait_s: before that, where it asked for more patience."""

    def __init__(self, message: str, wait_s: float = 0.0) -> None:
        super().__init__(message)
        self.wait_s = wait_s


class WrongSetup(Exception):
    """The address, the token or the settings are wrong; a person has to look."""


class Settings(NamedTuple):
    url: str
    token: str
    folder: Path


class Verdict(NamedTuple):
    """may_start: whether the shop lets the job start. answer: all that it said."""

    may_start: bool
    answer: dict[str, Any]


class _Moment(NamedTuple):
    """A time of this machine's clock, and beside it one that nobody sets: since which boot, seconds since it."""

    at: float
    boot: str | None
    boot_s: float | None


class _NoRedirect(urllib.request.HTTPRedirectHandler):
    """A redirect would carry the token to another address."""

    def redirect_request(self, *args: Any, **kwargs: Any) -> None:
        return None


def read_settings() -> Settings:
    """From the environment, then from the file "settings". Raises WrongSetup where an address or token is missing."""
    folder = Path(os.environ.get("LOADWORTHY_FOLDER") or Path.home() / ".loadworthy")
    path, stored = folder / "settings", {}
    if path.is_file():
        if os.name == "posix" and path.stat().st_mode & 0o077:
            print(f"Others can read the token in {path}: chmod 600 {path}", file=sys.stderr)
        for line in path.read_text(encoding="utf-8").splitlines():
            name, equals, value = line.partition("=")
            if equals and not name.lstrip().startswith("#"):
                stored[name.strip()] = value.strip().strip("\"'")
    values = [os.environ.get(name) or stored.get(name) for name in ("LOADWORTHY_URL", "LOADWORTHY_TOKEN")]
    if not all(values):
        raise WrongSetup(f"Set LOADWORTHY_URL and LOADWORTHY_TOKEN, as variables or as lines of {path}.")
    return Settings(str(values[0]).rstrip("/"), str(values[1]), folder)


def digest_of(file: str | os.PathLike[str]) -> str:
    """The SHA-256 of a file's content, by which the shop knows it; a digest stays as it is."""
    if isinstance(file, str) and re.fullmatch("[0-9a-f]{64}", file):
        return file
    digest = hashlib.sha256()
    with open(file, "rb") as opened:
        for chunk in iter(lambda: opened.read(2**20), b""):
            digest.update(chunk)
    return digest.hexdigest()


class Client:
    """Events of printers, stored in a queue first, and questions about jobs.

    Settings that are not given come from read_settings(). timeout_s: for each answer. Any number of processes and
    threads may use the same folder.
    """

    def __init__(
        self,
        url: str | None = None,
        token: str | None = None,
        folder: str | os.PathLike[str] | None = None,
        timeout_s: float = 10.0,
    ) -> None:
        if url is None or token is None or folder is None:
            settings = read_settings()
            url, token, folder = url or settings.url, token or settings.token, folder or settings.folder
        self.url, self.token, self.folder = url.rstrip("/"), token, Path(folder)
        self.timeout_s = timeout_s
        if urlsplit(self.url).scheme not in ("http", "https"):
            raise WrongSetup(f"{self.url} is no address of a shop: it begins with http:// or https://.")
        self._opener = urllib.request.build_opener(_NoRedirect)
        # The shop's clock less this one lies between these.
        self._clock_off_s = (-math.inf, math.inf)
        self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        with self.queue() as queue:
            queue.execute(SCHEMA)

    # Events

    def record(self, kind: str, printer: str | int, job: str | int, **fields: Any) -> str:
        """Store an event in the queue, on the disk when this returns, and return its id. It is sent by send().

        fields: id (of this event, the same when it is recorded again), at (a datetime or its ISO text; without it
        now) and those of EVENT_FIELDS. Raises ValueError or OSError for what no event can say.
        """
        with self.queue() as queue:
            return self.record_in(queue, kind, printer, job, **fields)

    def record_in(
        self, queue: sqlite3.Connection, kind: str, printer: str | int, job: str | int, **fields: Any
    ) -> str:
        """record() as a part of a transaction of queue()."""
        if kind not in KINDS:
            raise ValueError(f"{kind} is no kind of event: give one of {', '.join(KINDS)}.")
        own_id, at = str(fields.pop("id", None) or uuid.uuid4()), fields.pop("at", None)
        moment = _now() if at is None else _Moment(_timestamp(at), None, None)
        fields = {name: value for name, value in fields.items() if value is not None}
        unknown = sorted(fields.keys() - EVENT_FIELDS.keys())
        if unknown:
            raise ValueError(f"An event has no {', '.join(unknown)}.")
        if "file" in fields:
            fields["file"] = digest_of(fields["file"])
        content = json.dumps({"printer": printer, "job": str(job), "kind": kind, **fields}, allow_nan=False)
        columns = "INSERT OR IGNORE INTO events (id, at, boot, boot_s, content) VALUES (?, ?, ?, ?, ?)"
        queue.execute(columns, (own_id, *moment, content))
        return own_id

    planned = partialmethod(record, "planned")
    started = partialmethod(record, "started")
    progress = partialmethod(record, "progress")
    paused = partialmethod(record, "paused")
    resumed = partialmethod(record, "resumed")
    ran_out = partialmethod(record, "ran_out")
    spool_changed = partialmethod(record, "spool_changed")
    finished = partialmethod(record, "finished")
    failed = partialmethod(record, "failed")
    stopped = partialmethod(record, "stopped")

    def waiting(self) -> int:
        """How many events wait in the queue."""
        with self.queue() as queue:
            return queue.execute("SELECT COUNT(*) FROM events WHERE refused IS NULL").fetchone()[0]

    def refused(self) -> list[tuple[dict[str, Any], str]]:
        """Events that the shop refused, each with its reason. They stay in the queue until send_again()."""
        with self.queue() as queue:
            rows = queue.execute(
                "SELECT content, refused FROM events WHERE refused IS NOT NULL ORDER BY number"
            )
            return [(json.loads(content), reason) for content, reason in rows]

    def send_again(self) -> None:
        """Send refused events again, as after the printer was added in the shop."""
        with self.queue() as queue:
            queue.execute("UPDATE events SET refused = NULL")

    def send(self, for_s: float = 0.0) -> int:
        """Send the queue in its order, and return 0 when none is left.

        for_s: how long to try again while there is no answer, with growing pauses. Raises WrongSetup, and NoAnswer
        where the last attempt got none. The same event is sent again, with the same id, until it is answered.
        """
        ends, wait_s = time.monotonic() + for_s, 1.0
        while True:
            if not self.waiting():
                return 0
            try:
                self._compare_clocks()
                self._send_events(self._take_batch())
                wait_s = 1.0
            except NoAnswer as error:
                pause_s = max(error.wait_s, wait_s * random.uniform(0.5, 1.0))  # noqa: S311
                if time.monotonic() + pause_s > ends:
                    raise
                time.sleep(pause_s)
                wait_s = min(2 * wait_s, MOST_WAIT_S)

    def _take_batch(self) -> list[dict[str, Any]]:
        """The first events of the queue, as they are sent: the same each time, though the clock may be set between."""
        with self.queue() as queue:
            columns = "number, id, at, boot, boot_s, content, sent"
            rows = queue.execute(
                f"SELECT {columns} FROM events WHERE refused IS NULL ORDER BY number LIMIT ?",  # noqa: S608
                (BATCH,),
            ).fetchall()
            batch = []
            for number, own_id, at, boot, boot_s, content, sent in rows:
                event = json.loads(sent) if sent else self._prepare(own_id, at, boot, boot_s, content)
                if not sent:
                    queue.execute("UPDATE events SET sent = ? WHERE number = ?", (json.dumps(event), number))
                batch.append(event)
        return batch

    def _prepare(
        self, own_id: str, at: float, boot: str | None, boot_s: float | None, content: str
    ) -> dict[str, Any]:
        """An event with its time by the clock of the shop; with sent_at where that clock is not known."""
        now, off_s = _now(), self.clock_off_s()
        if boot_s is not None and now.boot_s is not None and boot == now.boot:
            by_boot = now.at - (now.boot_s - boot_s)
            # The clock was set since, as on a machine without a battery that has found the network.
            at = by_boot if abs(by_boot - at) > CLOCK_TOLERANCE_S else at
        event = {"id": own_id, **json.loads(content), "at": _iso(at + (off_s or 0.0))}
        return event if off_s is not None else {**event, "sent_at": None}

    def _send_events(self, events: list[dict[str, Any]]) -> None:
        """Send these, and take those off the queue that were answered."""
        now = _iso(time.time())
        body = [{**event, "sent_at": now} if "sent_at" in event else event for event in events]
        status, answer = self.ask("POST", "/api/v1/printer-events", json.dumps(body).encode())
        if status == 409:
            raise NoAnswer("The shop was about to record the same.")
        if status != 200 and len(events) > 1:
            # One that the shop cannot read holds up no other.
            for event in events:
                self._send_events([event])
            return
        if status != 200:
            reasons = {events[0]["id"]: json.dumps(answer)}
        else:
            try:
                by_id = {str(result["id"]): result for result in answer["results"]}
                results = [by_id[event["id"]] for event in events]
                refused = [result for result in results if result["result"] == "refused"]
            except (KeyError, TypeError):
                raise NoAnswer("The shop did not answer each event.") from None
            reasons = {str(result["id"]): json.dumps(result.get("errors")) for result in refused}
        with self.queue() as queue:
            for own_id in (event["id"] for event in events):
                if own_id in reasons:
                    queue.execute("UPDATE events SET refused = ? WHERE id = ?", (reasons[own_id], own_id))
                else:
                    queue.execute("DELETE FROM events WHERE id = ?", (own_id,))

    def _compare_clocks(self) -> None:
        """Ask for the shop's time until a clock that is wrong is known to about a second, but not for ever."""
        for _ in range(MOST_LOOKS):
            low, high = self._clock_off_s
            if self.clock_off_s() == 0.0 or high - low <= NARROW_S:
                return
            self.ask("GET", "/healthz")

    def clock_off_s(self) -> float | None:
        """Seconds to add to this machine's clock to get the shop's; 0 for one that is right, None: not known."""
        low, high = self._clock_off_s
        if low == -math.inf:
            return None
        return 0.0 if low <= CLOCK_TOLERANCE_S and high >= -CLOCK_TOLERANCE_S else (low + high) / 2

    # Questions

    def may_start(self, toolhead: str | int | None = None, **job: Any) -> Verdict:
        """Whether a job may start. job: fields of ASK_FIELDS. Raises NoAnswer, WrongSetup, ValueError."""
        given = {"toolhead": toolhead, **job}
        asked = {name: value for name, value in given.items() if value is not None}
        unknown = sorted(asked.keys() - ASK_FIELDS.keys())
        if unknown:
            raise ValueError(f"A job has no {', '.join(unknown)}.")
        if "file" in asked:
            asked["file"] = digest_of(asked["file"])
        status, answer = self.ask("GET", f"/api/v1/may-start?{urlencode({**asked, 'refuse': 1})}")
        if status not in (200, 409) or not isinstance(answer, dict) or "state" not in answer:
            raise ValueError(describe(answer))
        return Verdict(status == 200, answer)

    def ask(
        self,
        method: str,
        path: str,
        body: Any = None,
        headers: dict[str, str] | None = None,
        timeout_s: float | None = None,
    ) -> tuple[int, Any]:
        """The status and the parsed answer of a request. Raises NoAnswer and WrongSetup.

        body: bytes, or an iterable of them with their Content-Length among the headers.
        """
        known = {"Authorization": f"Token {self.token}", "Content-Type": "application/json"}
        request = urllib.request.Request(  # noqa: S310 (the scheme was looked at)
            self.url + path, body, {**known, **(headers or {})}, method=method
        )
        asked_at = time.time()
        try:
            with self._open(request, timeout_s or self.timeout_s) as answer:
                status, about, content = answer.status, answer.headers, answer.read(MOST_ANSWER_BYTES)
        except (OSError, HTTPException) as error:
            raise NoAnswer(f"No answer from {self.url}: {error}") from None
        self._learn_clock(about.get("Date"), asked_at, time.time())
        if status in (408, 425, 429) or status >= 500:
            wait = about.get("Retry-After") or ""
            raise NoAnswer(f"{self.url} answers {status}.", float(wait) if wait.isdigit() else 0.0)
        if 300 <= status < 400 or status in (401, 403, 404, 405):
            reason = about.get("Location") or describe(_parse(content))
            raise WrongSetup(f"{self.url}{path.partition('?')[0]} answers {status}: {reason}")
        if path == "/healthz":
            return status, None
        parsed = _parse(content)
        if parsed is None:
            raise NoAnswer(f"{self.url} answers with something else than JSON. Is it the shop?")
        return status, parsed

    def _open(self, request: urllib.request.Request, timeout_s: float) -> Any:
        try:
            return self._opener.open(request, timeout=timeout_s)
        except urllib.error.HTTPError as error:
            return error

    def _learn_clock(self, date: str | None, asked_at: float, answered_at: float) -> None:
        """The header Date is a whole second that lay between the question and the answer."""
        try:
            second = parsedate_to_datetime(date or "").timestamp()
        except (TypeError, ValueError):
            return
        low, high = second - answered_at, second + 1 - asked_at
        known_low, known_high = self._clock_off_s
        if low <= known_high and high >= known_low:
            low, high = max(low, known_low), min(high, known_high)
        # Otherwise one of the clocks was set in between, and the last answer counts.
        self._clock_off_s = (low, high)

    @contextmanager
    def queue(self) -> Iterator[sqlite3.Connection]:
        """One transaction on the queue, on the disk when it ends."""
        with closing(sqlite3.connect(str(self.folder / "queue.sqlite3"), timeout=60)) as connection:
            connection.execute("PRAGMA synchronous = EXTRA")
            with connection:
                yield connection


def describe(answer: Any) -> str:
    """The sentences of a refusal, or the whole answer."""
    errors = answer.get("errors") if isinstance(answer, dict) else answer
    if isinstance(errors, list) and errors and all(isinstance(error, dict) for error in errors):
        return " ".join(f"{error.get('field') or ''} {error.get('message')}".strip() for error in errors)
    return json.dumps(answer)


def _parse(content: bytes) -> Any:
    try:
        return json.loads(content)
    except ValueError:
        return None


def _now() -> _Moment:
    try:
        boot = Path("/proc/sys/kernel/random/boot_id").read_text().strip()
        return _Moment(time.time(), boot, time.clock_gettime(time.CLOCK_BOOTTIME))
    except (OSError, AttributeError):
        return _Moment(time.time(), None, None)


def _timestamp(at: datetime | str) -> float:
    """Seconds since 1970; a time without a zone is one of this machine's."""
    if isinstance(at, str):
        at = datetime.fromisoformat(re.sub("[zZ]$", "+00:00", at))
    return at.timestamp()


def _iso(timestamp: float) -> str:
    return datetime.fromtimestamp(timestamp, timezone.utc).isoformat(timespec="microseconds")


# The commands


def main(arguments: list[str] | None = None) -> int:
    options = vars(_parser().parse_args(arguments))
    command = options.pop("command")
    try:
        client = Client(timeout_s=options.pop("timeout"))
        return {"may-start": _may_start, "event": _event, "send": _send}[command](client, options)
    except (NoAnswer, WrongSetup, ValueError, OSError) as error:
        print(error, file=sys.stderr)
        return 2


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--timeout", type=float, default=10.0, help="seconds to wait for an answer")
    commands = parser.add_subparsers(dest="command", required=True)
    ask = commands.add_parser("may-start", help="0: the job may start, 1: it may not, 2: no answer")
    event = commands.add_parser("event", help="record an event, and send it if the shop can be reached")
    event.add_argument("kind", choices=KINDS)
    event.add_argument("--printer", required=True, help="its name or id")
    event.add_argument("--job", required=True, help="the print host's own id of this print")
    event.add_argument("--at", help="when it was; without it now")
    event.add_argument("--id", help="of this event; without it a new one")
    for one, fields in ((ask, ASK_FIELDS), (event, EVENT_FIELDS)):
        for name, (kind, meaning) in fields.items():
            one.add_argument("--" + name.replace("_", "-"), type=kind, help=meaning.replace("%", "%%"))
    send = commands.add_parser("send", help="0: all is sent, 1: some is left or was refused, 2: wrong set-up")
    send.add_argument("--for", dest="for_s", type=float, default=60.0, help="seconds to try again")
    send.add_argument("--again", action="store_true", help="what was refused, too")
    return parser


def _may_start(client: Client, options: dict[str, Any]) -> int:
    verdict = client.may_start(**options)
    print(json.dumps(verdict.answer, indent=2, ensure_ascii=False))
    return 0 if verdict.may_start else 1


def _event(client: Client, options: dict[str, Any]) -> int:
    """The print goes on whether the shop can be reached or not: the event is in the queue."""
    client.record(**options)
    try:
        client.send()
    except (NoAnswer, WrongSetup) as error:
        print(f"{error} {client.waiting()} events wait in {client.folder}.", file=sys.stderr)
    _show_refused(client)
    return 0


def _send(client: Client, options: dict[str, Any]) -> int:
    if options["again"]:
        client.send_again()
    try:
        client.send(options["for_s"])
    except NoAnswer as error:
        print(f"{error} {client.waiting()} events wait in {client.folder}.", file=sys.stderr)
        return 1
    return 1 if _show_refused(client) else 0


def _show_refused(client: Client) -> bool:
    refused = client.refused()
    for event, reason in refused:
        print(
            f"Refused: {event['kind']} of {event['job']}: {describe(_parse(reason.encode()))}",
            file=sys.stderr,
        )
    return bool(refused)


if __name__ == "__main__":
    sys.exit(main())
