"""How long /healthz takes while the doors of the demo shop are attacked, and the memory that it takes.

    python -m benchmarks.doors [--seconds 12] [--only WORD]

Serves the demo shop as ./run does, on the loopback interface alone. Each attack goes on for so many seconds (those
that upload files once), while a client with connections of its own asks for /healthz. Printed for each: the answers to the
attack with the slowest, the median and slowest answer of /healthz and how many did not come within TIMEOUT_S, and the
largest memory of the web servers and of the worker (proportional set size). Connections that the service ends are opened
again a second later.
"""

import argparse
import json
import os
import socket
import statistics
import tempfile
import threading
import time
import zipfile
from collections import Counter
from collections.abc import Callable
from contextlib import ExitStack, suppress
from dataclasses import dataclass, field
from http.client import HTTPConnection, HTTPException
from io import BytesIO
from pathlib import Path
from urllib.parse import quote_plus, urlencode, urlsplit

from benchmarks.memory import KIB, proportional_set_size
from tests.services.shop import name_of, processes, run_manage, served, shop_env

TIMEOUT_S = 10.0
# How many ask at once in an attack by whole requests, and how many connections a slow one holds.
AT_ONCE = 8
CONNECTIONS = (110, 500)
FORM = {"Content-Type": "application/x-www-form-urlencoded"}
JSON = {"Content-Type": "application/json"}
BOUNDARY = "x" * 20
# What a slow client sends at once; then a byte a second. It reads its answer as slowly.
BEGINNINGS = {
    "connections without a request": b"",
    "request lines that drip": b"GET /a",
    "headers that drip": b"GET / HTTP/1.1\r\nHost: localhost\r\nA: b",
    "bodies that drip": b"POST /sign-in/ HTTP/1.1\r\nHost: localhost\r\nContent-Length: 90000\r\n\r\nb",
    "answers read slowly": b"GET /api/schema/ HTTP/1.1\r\nHost: localhost\r\n\r\n",
}


@dataclass
class Call:
    """A request that is sent by several people at once, again and again (or once each)."""

    method: str
    path: str
    body: bytes = b""
    headers: dict[str, str] = field(default_factory=dict)
    people: int = AT_ONCE
    once: bool = False


@dataclass
class Figures:
    """Statuses of the attack and its slowest answer; seconds of each answer of /healthz, None without one; MiB."""

    statuses: Counter[str] = field(default_factory=Counter)
    slowest_s: float = 0.0
    healthz_s: list[float | None] = field(default_factory=list)
    peak_mib: Counter[str] = field(default_factory=Counter)


def main() -> None:
    parser = argparse.ArgumentParser(description="Time /healthz under attack.")
    parser.add_argument("--seconds", type=float, default=12.0)
    parser.add_argument("--only", default="", help="the attacks whose name contains this")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="loadworthy-") as folder:
        env = shop_env(Path(folder) / "data")
        os.environ |= {"LOADWORTHY_DATA": env["LOADWORTHY_DATA"], "DJANGO_SETTINGS_MODULE": "config.settings"}
        run_manage(env, "prepare", "--demo")
        import django

        django.setup()
        calls = build_calls()
        with served(env) as (url, _):
            address = urlsplit(url).hostname or "", urlsplit(url).port or 0
            # Each web server builds the schema once.
            _ask_all(address, calls["the schema"], time.monotonic() + 5, Figures())
            print("| attack | answers | slowest | /healthz p50 | slowest | none | web | worker |")
            print("|---|---|---|---|---|---|---|---|")
            attacks: dict[str, Callable[[float, Figures], None]] = {"none": lambda until, _: _wait(until)}
            for name, beginning in BEGINNINGS.items():
                for count in CONNECTIONS:
                    attacks[f"{count} {name}"] = _slow_attack(address, beginning, count)
            for name, call in calls.items():
                attacks[name] = _whole_attack(address, call)
            for name, attack in attacks.items():
                if options.only in name:
                    print(_row(name, _measure(env, address, attack, options.seconds)), flush=True)
        from maintenance.models import JobFile

        print("job files:", ", ".join(f"{file.name} {file.state}" for file in JobFile.objects.order_by("pk")))


def build_calls() -> dict[str, Call]:
    """Attacks by whole requests, with a token and a session of a person who may do everything."""
    from django.conf import settings
    from django.contrib.auth import get_user_model
    from django.test import Client

    from access.tokens import add_token
    from spools.models import Place

    user = get_user_model().objects.create_superuser("benchmark")
    token = {"Authorization": f"Token {add_token(user, 'benchmark', 'all')[1]}"}
    client = Client()
    client.force_login(user)
    session = f"{settings.SESSION_COOKIE_NAME}={client.cookies[settings.SESSION_COOKIE_NAME].value}"
    csrf = "x" * 32
    guess = urlencode({"username": "demo", "password": "wrong", "csrfmiddlewaretoken": csrf}).encode()
    words = quote_plus(" ".join(f"word{number}" for number in range(30)))
    unknown = json.dumps({"name": "x"} | {f"unknown{number}": 1 for number in range(200_000)}).encode()
    readings = f"/api/v1/places/{Place.objects.order_by('pk')[0].pk}/readings/csv"
    lines = b"time,temperature_c,rh_pct\n" + b"2001-01-01T00:00:00Z,21.5,40\n" * 300_000
    return {
        "a search of 30 words": Call("GET", f"/spools/?q={words}", headers={"Cookie": session}),
        "200,000 unknown keys": Call("POST", "/api/v1/places", unknown, token | JSON),
        "100,000 nested brackets": Call("POST", "/api/v1/places", b"[" * 100_000, token | JSON),
        "24 sign-ins": Call("POST", "/sign-in/", guess, FORM | {"Cookie": f"csrftoken={csrf}"}, people=24),
        "the schema": Call("GET", "/api/schema/"),
        "10 MB of readings": Call("POST", readings, lines, token | {"Content-Type": "text/csv"}),
        "one-byte chunks": Call(
            "POST", "/healthz", b"1\r\na\r\n" * 2_000_000 + b"0\r\n\r\n", {"Transfer-Encoding": "chunked"}
        ),
        "a bzip2 container": _file_call("bz2.3mf", _container(zipfile.ZIP_BZIP2), token),
        "an LZMA container": _file_call("lzma.3mf", _container(zipfile.ZIP_LZMA), token),
        "a deflated container": _file_call("deflate.3mf", _container(zipfile.ZIP_DEFLATED), token),
    }


def _container(packing: int) -> bytes:
    """A member of 600 MiB of blanks."""
    packed = BytesIO()
    with zipfile.ZipFile(packed, "w", packing) as archive, archive.open("a.gcode", "w") as member:
        member.write(b"G1 X1 E1\n")
        for _ in range(600):
            member.write(b" " * 2**20)
    return packed.getvalue()


def _file_call(name: str, content: bytes, token: dict[str, str]) -> Call:
    head = f'--{BOUNDARY}\r\nContent-Disposition: form-data; name="file"; filename="{name}"\r\n\r\n'.encode()
    body = head + content + f"\r\n--{BOUNDARY}--\r\n".encode()
    form = {"Content-Type": f"multipart/form-data; boundary={BOUNDARY}"}
    return Call("POST", "/api/v1/job-files", body, token | form, people=1, once=True)


def _slow_attack(address: tuple[str, int], beginning: bytes, count: int) -> Callable[[float, Figures], None]:
    reading = beginning == BEGINNINGS["answers read slowly"]

    def attack(until: float, figures: Figures) -> None:
        with ExitStack() as held:
            clients: dict[int, socket.socket] = {}
            while time.monotonic() < until:
                for number in range(count):
                    try:
                        if number not in clients:
                            clients[number] = held.enter_context(_open_slowly(address, beginning))
                            figures.statuses["opened"] += 1
                        elif _goes_on(clients[number], bool(beginning) and not reading):
                            continue
                        else:
                            raise ConnectionResetError
                    except OSError:
                        figures.statuses["ended"] += 1
                        if number in clients:
                            clients.pop(number).close()
                _wait(min(until, time.monotonic() + 1))

    return attack


def _open_slowly(address: tuple[str, int], beginning: bytes) -> socket.socket:
    client = socket.socket()
    client.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
    client.settimeout(0.2)
    client.connect(address)
    client.sendall(beginning)
    client.setblocking(False)
    return client


def _goes_on(client: socket.socket, writes: bool) -> bool:
    """Send and read a little; False when the service has ended the connection."""
    if writes:
        client.sendall(b"x")
    with suppress(BlockingIOError):
        return bool(client.recv(64))
    return True


def _whole_attack(address: tuple[str, int], call: Call) -> Callable[[float, Figures], None]:
    def attack(until: float, figures: Figures) -> None:
        _ask_all(address, call, until, figures)
        _wait(until)

    return attack


def _ask_all(address: tuple[str, int], call: Call, until: float, figures: Figures) -> None:
    def ask() -> None:
        while time.monotonic() < until:
            status, seconds = _ask(address, call, 300)
            figures.statuses[status] += 1
            figures.slowest_s = max(figures.slowest_s, seconds)
            if call.once:
                return

    threads = [threading.Thread(target=ask) for _ in range(call.people)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()


def _ask(address: tuple[str, int], call: Call, timeout_s: float) -> tuple[str, float]:
    """The status (or the name of the error) and the seconds to the end of the answer."""
    began = time.perf_counter()
    connection = HTTPConnection(*address, timeout=timeout_s)
    try:
        # A refusal may come before all of the body is sent.
        with suppress(BrokenPipeError, ConnectionResetError):
            encoded = {"encode_chunked": False} if "Transfer-Encoding" in call.headers else {}
            connection.request(call.method, call.path, call.body or None, call.headers, **encoded)
        answer = connection.getresponse()
        answer.read()
        return str(answer.status), time.perf_counter() - began
    except (OSError, HTTPException) as error:
        return type(error).__name__, time.perf_counter() - began
    finally:
        connection.close()


def _measure(
    env: dict[str, str], address: tuple[str, int], attack: Callable[[float, Figures], None], seconds: float
) -> Figures:
    figures, over = Figures(), threading.Event()

    def look() -> None:
        while not over.wait(0.2):
            sizes: Counter[str] = Counter()
            for pid in processes(env):
                with suppress(OSError, ValueError):
                    kind = "web" if name_of(pid).startswith("web") else "worker"
                    sizes[kind] += proportional_set_size(pid) // KIB
            figures.peak_mib |= sizes

    def ask() -> None:
        # The attack has begun.
        over.wait(1)
        while not over.is_set():
            status, taken_s = _ask(address, Call("GET", "/healthz"), TIMEOUT_S)
            if not over.is_set():
                figures.healthz_s.append(taken_s if status == "200" else None)
            over.wait(0.1)

    watchers = [threading.Thread(target=look), threading.Thread(target=ask)]
    for watcher in watchers:
        watcher.start()
    attack(time.monotonic() + seconds, figures)
    over.set()
    for watcher in watchers:
        watcher.join()
    return figures


def _row(name: str, figures: Figures) -> str:
    statuses = ", ".join(f"{count} {status}" for status, count in sorted(figures.statuses.items())) or "-"
    good = [seconds for seconds in figures.healthz_s if seconds is not None]
    median = f"{statistics.median(good):.3f} s" if good else "-"
    longest = f"{max(good):.2f} s" if good else "-"
    missing = len(figures.healthz_s) - len(good)
    slowest = f"{figures.slowest_s:.1f} s" if figures.slowest_s else "-"
    peaks = " | ".join(f"{figures.peak_mib[kind]} MiB" for kind in ("web", "worker"))
    return f"| {name} | {statuses} | {slowest} | {median} | {longest} | {missing} | {peaks} |"


def _wait(until: float) -> None:
    time.sleep(max(0.0, until - time.monotonic()))


if __name__ == "__main__":
    main()
