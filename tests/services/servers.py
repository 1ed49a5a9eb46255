"""Real servers for tests: on loopback, on free ports, in temporary folders, gone afterwards."""

import os
import pwd
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path
from typing import TypeVar

import psycopg
import redis

T = TypeVar("T")
START_WITHIN_S = 300.0


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def wait_for(
    what: str, check: Callable[[], T | None], within_s: float = START_WITHIN_S, every_s: float = 0.1
) -> T:
    """The result of check() once it is neither None nor False; AssertionError when it takes too long."""
    deadline = time.monotonic() + within_s
    while time.monotonic() < deadline:
        if result := check():
            return result
        time.sleep(every_s)
    raise AssertionError(f"{what}: not within {within_s:.0f} s")


@contextmanager
def unprivileged_folder() -> Iterator[tuple[Path, dict[str, object]]]:
    """A temporary folder and the arguments with which Popen runs a server as its owner.

    PostgreSQL refuses to run as root, so root's tests run it as nobody.
    """
    folder = Path(tempfile.mkdtemp(prefix="loadworthy-"))
    user: dict[str, object] = {}
    if os.getuid() == 0:
        nobody = pwd.getpwnam("nobody")
        os.chown(folder, nobody.pw_uid, nobody.pw_gid)
        user = {"user": nobody.pw_uid, "group": nobody.pw_gid, "extra_groups": []}
    try:
        yield folder, user
    finally:
        shutil.rmtree(folder, ignore_errors=True)


@contextmanager
def _running(command: list[str], folder: Path, user: dict) -> Iterator[subprocess.Popen]:
    with (folder / "log").open("wb") as log:
        server = subprocess.Popen(command, cwd=folder, stdout=log, stderr=log, **user)
    try:
        yield server
    finally:
        _stop(server)


def _stop(server: subprocess.Popen) -> None:
    """Both servers take SIGINT for "end now, in order"; it is harmless to one that has ended."""
    server.send_signal(signal.SIGINT)
    server.wait(START_WITHIN_S)


@dataclass
class PostgresServer:
    port: int
    numbers: Iterator[int] = field(default_factory=lambda: count(1))

    @classmethod
    @contextmanager
    def running(cls) -> Iterator["PostgresServer"]:
        programs = max(Path("/usr/lib/postgresql").glob("*/bin"), key=lambda path: int(path.parent.name))
        server = cls(free_port())
        with unprivileged_folder() as (folder, user):
            data = folder / "cluster"
            initdb = [programs / "initdb", "-D", data, "-A", "trust", "-U", "shop", "-E", "UTF8", "--no-sync"]
            subprocess.run(initdb, cwd=folder, check=True, capture_output=True, **user)
            command = [programs / "postgres", "-D", data, "-p", server.port, "-h", "127.0.0.1", "-k", folder]
            with _running([*map(str, command), "-c", "fsync=off"], folder, user):
                wait_for("PostgreSQL", server._answers)
                yield server

    def new_database(self, copied: str = "") -> str:
        """The address of a new database: empty, or a copy of the one at that address, which nobody may use."""
        name, template = f"shop_{next(self.numbers)}", copied.rpartition("/")[2] or "template1"
        with psycopg.connect(self._url("postgres"), autocommit=True) as connection:
            connection.execute(f"CREATE DATABASE {name} TEMPLATE {template}")
        return self._url(name)

    def _url(self, name: str) -> str:
        return f"postgres://shop@127.0.0.1:{self.port}/{name}"

    def _answers(self) -> bool:
        try:
            psycopg.connect(self._url("postgres")).close()
        except psycopg.OperationalError:
            return False
        return True


@dataclass
class RedisServer:
    port: int
    numbers: Iterator[int] = field(default_factory=lambda: count(0))
    process: subprocess.Popen | None = None

    @classmethod
    @contextmanager
    def running(cls, port: int | None = None) -> Iterator["RedisServer"]:
        server = cls(port or free_port())
        with unprivileged_folder() as (folder, user):
            options = {"port": server.port, "bind": "127.0.0.1", "save": "", "databases": 64, "dir": folder}
            words = [word for name, value in options.items() for word in (f"--{name}", str(value))]
            with _running(["redis-server", *words], folder, user) as server.process:
                wait_for("Redis", server._answers)
                yield server

    def new_database(self) -> str:
        """The address of an empty database."""
        return self._url(next(self.numbers))

    def stop(self) -> None:
        """End it early, to see what those who use it do."""
        assert self.process
        _stop(self.process)

    def _url(self, number: int) -> str:
        return f"redis://127.0.0.1:{self.port}/{number}"

    def _answers(self) -> bool:
        try:
            with redis.Redis.from_url(self._url(0)) as client:
                return bool(client.ping())
        except redis.ConnectionError:
            return False
