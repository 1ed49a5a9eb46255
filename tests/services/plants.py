"""The processes of a shop, each by itself or under its supervisor, to be killed one by one."""

import os
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from tests.services.servers import PostgresServer, free_port, unprivileged_folder, wait_for
from tests.services.shop import REPOSITORY, name_of, processes

CELERY = [sys.executable, "-m", "celery", "--quiet", "-A", "config"]
WORKER = [*CELERY, "worker", "--without-gossip", "--without-mingle", "--loglevel", "WARNING"]


@dataclass
class Program:
    """One process that is started again after it was killed."""

    command: list[str]
    log: Path
    env: dict[str, str] = field(default_factory=dict)
    pass_fds: tuple[int, ...] = ()
    more: dict = field(default_factory=dict)
    process: subprocess.Popen | None = None

    def start(self) -> None:
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                self.command,
                cwd=REPOSITORY,
                env={**os.environ, **self.env},
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                start_new_session=True,
                pass_fds=self.pass_fds,
                **self.more,
            )

    def signal(self, number: int) -> None:
        assert self.process is not None
        self.process.send_signal(number)
        if number == signal.SIGKILL:
            self.process.wait()

    def end(self) -> None:
        if self.process is None or self.process.poll() is not None:
            return
        self.process.terminate()
        try:
            self.process.wait(120)
        except subprocess.TimeoutExpired:
            self.signal(signal.SIGKILL)


class Servers:
    """PostgreSQL, Redis, the pages, two workers that share the moisture, and two schedules at once."""

    kinds = (
        "worker: moisture",
        "worker: reminders",
        "worker: delivery",
        "worker: files",
        "schedule",
        "Redis",
        "web: requests in flight",
        "web: between commit and publish",
    )

    def __init__(self, folder: Path, redis_folder: Path, redis_user: dict, port: int) -> None:
        log = folder / "log"
        self.listener = socket.create_server(("127.0.0.1", 0), backlog=128)
        self.url = f"http://127.0.0.1:{self.listener.getsockname()[1]}"
        fd = self.listener.fileno()
        redis = ["redis-server", "--port", str(port), "--bind", "127.0.0.1", "--save", "", "--dir"]
        self.programs = {
            "Redis": Program([*redis, str(redis_folder)], log, more=redis_user),
            "web": Program([sys.executable, "-m", "background.web", str(fd)], log, pass_fds=(fd,)),
            "first": Program(
                [*WORKER, "-n", "first@%h", "-Q", "moisture,reminders,files"],
                log,
                {"LOADWORTHY_WORKER": "first"},
            ),
            "second": Program(
                [*WORKER, "-n", "second@%h", "-Q", "moisture,delivery"], log, {"LOADWORTHY_WORKER": "second"}
            ),
            "schedule 1": Program([*CELERY, "beat", "--loglevel", "WARNING"], log),
            "schedule 2": Program([*CELERY, "beat", "--loglevel", "WARNING"], log),
        }

    @classmethod
    @contextmanager
    def prepared(cls, folder: Path) -> Iterator["Servers"]:
        with PostgresServer.running() as postgres, unprivileged_folder() as (redis_folder, user):
            port = free_port()
            os.environ |= {
                "DATABASE_URL": postgres.new_database(),
                "REDIS_URL": f"redis://127.0.0.1:{port}/0",
            }
            plant = cls(folder, redis_folder, user, port)
            try:
                yield plant
            finally:
                for program in reversed(plant.programs.values()):
                    program.end()
                plant.listener.close()

    def start(self) -> None:
        for program in self.programs.values():
            program.start()

    def kill(self, name: str) -> None:
        self.programs[name].signal(signal.SIGKILL)

    def start_again(self, name: str) -> None:
        self.programs[name].start()

    def kill_holder(self, holder: str) -> None:
        """The worker that holds an item; its heir takes over at once."""
        self.kill(holder)
        self.start_again(holder)


class Embedded:
    """The processes of ./run: a supervisor with the pages and a worker, on SQLite."""

    kinds = ("worker: moisture", "worker: files", "worker: delivery", "web: requests in flight", "supervisor")

    def __init__(self, folder: Path) -> None:
        port = free_port()
        self.url = f"http://127.0.0.1:{port}"
        up = [sys.executable, "manage.py", "up", "--port", str(port)]
        self.supervisor = Program(up, folder / "log")

    @classmethod
    @contextmanager
    def prepared(cls, folder: Path) -> Iterator["Embedded"]:
        plant = cls(folder)
        try:
            yield plant
        finally:
            plant.supervisor.end()

    def start(self) -> None:
        self.supervisor.start()

    def kill(self, name: str) -> None:
        """The supervisor starts the others again by itself."""
        if name == "supervisor":
            self.supervisor.signal(signal.SIGKILL)
            wait_for("the end of all processes", lambda: not self._children())
        else:
            os.kill(wait_for(f"the {name}", lambda: self._child(name)), signal.SIGKILL)

    def start_again(self, name: str) -> None:
        if name == "supervisor":
            self.supervisor.start()

    def kill_holder(self, holder: str) -> None:
        self.kill("worker")

    def _child(self, name: str) -> int | None:
        """Its process id, once the supervisor has started it again."""
        return next((pid for pid in self._children() if name_of(pid) == name), None)

    def _children(self) -> list[int]:
        return [pid for pid in processes(dict(os.environ)) if name_of(pid) in {"web", "web-2", "worker"}]
