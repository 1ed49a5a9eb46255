"""Run the pages and the background work as child processes: together up, together down.

The children have sessions of their own, so Ctrl-C in a terminal reaches the supervisor alone and it ends them
in order. The kernel ends them when the supervisor is killed (PR_SET_PDEATHSIG), so nothing stays behind.
"""

import ctypes
import errno
import fcntl
import logging
import os
import signal
import socket
import subprocess
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO

logger = logging.getLogger(__name__)

STOP_WITHIN_S = 8.0
POLL_S = 0.2
LONGEST_RESTART_DELAY_S = 30.0
STEADY_AFTER_S = 60.0
PR_SET_PDEATHSIG = 1
_libc = ctypes.CDLL(None, use_errno=True)


class CannotStart(Exception):
    """The message is one sentence for the person who started it, and says what to do."""


def lock_data_folder(folder: Path) -> IO[str]:
    """Hold the data folder for this process alone, until the returned file is closed or the process ends."""
    path = folder / "up.lock"
    try:
        lock = path.open("a+")
    except OSError as error:
        raise not_writable(folder, error) from error
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError as error:
        lock.close()
        raise CannotStart(
            f"Loadworthy is already running on the data folder {folder}: stop that one first (Ctrl-C), "
            "or name another folder in LOADWORTHY_DATA."
        ) from error
    return lock


def not_writable(folder: Path, error: OSError) -> CannotStart:
    return CannotStart(
        f"The data folder {folder} cannot be written to ({error.strerror}): make it writable for you, "
        "or name another one in LOADWORTHY_DATA."
    )


def listen(host: str, port: int) -> socket.socket:
    """A bound socket, which is the port test as well: nobody can take the port between test and use."""
    try:
        family, _, _, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
    except socket.gaierror as error:
        raise CannotStart(f"{host!r} is no address of this machine: give another one with --host.") from error
    listener = socket.socket(family, socket.SOCK_STREAM)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind(address)
        listener.listen(1024)
    except OSError as error:
        listener.close()
        why = {
            errno.EADDRINUSE: f"Port {port} on {host} is in use by another program: stop that program, or "
            f"choose another port with --port {port + 1}.",
            errno.EACCES: f"Port {port} on {host} may be used by the administrator only: choose a port from "
            "1024 up with --port.",
            errno.EADDRNOTAVAIL: f"{host} is no address of this machine: give another one with --host.",
        }
        raise CannotStart(
            why.get(error.errno or 0, f"Port {port} on {host} cannot be used: {error.strerror}.")
        ) from error
    return listener


@dataclass
class Child:
    """One child process, started again with growing delay when it ends by itself."""

    name: str
    command: list[str]
    folder: Path
    pass_fds: tuple[int, ...] = ()
    env: dict[str, str] = field(default_factory=dict)
    process: subprocess.Popen[bytes] | None = None
    started: float = 0.0
    start_at: float = 0.0
    delay_s: float = 1.0

    def keep_up(self) -> None:
        """Start it when it is due, and plan the next start when it has ended."""
        now = time.monotonic()
        if self.process is None:
            if now >= self.start_at:
                self.start()
        elif (code := self.process.poll()) is not None:
            if now - self.started > STEADY_AFTER_S:
                self.delay_s = 1.0
            logger.error(
                "%s ended (exit code %d); it is started again in %.0f s.", self.name, code, self.delay_s
            )
            self.process = None
            self.start_at = now + self.delay_s
            self.delay_s = min(2 * self.delay_s, LONGEST_RESTART_DELAY_S)

    def start(self) -> None:
        parent = os.getpid()

        def end_with_parent() -> None:
            _libc.prctl(PR_SET_PDEATHSIG, signal.SIGKILL)
            if os.getppid() != parent:
                os._exit(1)

        self.started = time.monotonic()
        self.process = subprocess.Popen(
            self.command,
            cwd=self.folder,
            env={**os.environ, **self.env},
            stdin=subprocess.DEVNULL,
            start_new_session=True,
            pass_fds=self.pass_fds,
            preexec_fn=end_with_parent,
        )


def supervise(children: list[Child]) -> None:
    """Keep the children up until SIGINT, SIGTERM or SIGHUP, then end them; at once at a second signal."""
    signals: list[int] = []
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        # What nohup has switched off stays off; but SIGINT, which shells switch off for "./run &", ends it.
        if number == signal.SIGINT or signal.getsignal(number) != signal.SIG_IGN:
            signal.signal(number, lambda got, _frame: signals.append(got))
    try:
        while not signals:
            for child in children:
                child.keep_up()
            time.sleep(POLL_S)
    finally:
        _end([child.process for child in children if child.process], signals)


def _end(processes: list[subprocess.Popen[bytes]], signals: list[int]) -> None:
    """Ask all to end; whatever is left after STOP_WITHIN_S, or at a further signal, is killed."""
    for process in processes:
        process.terminate()
    deadline = time.monotonic() + STOP_WITHIN_S
    while any(process.poll() is None for process in processes):
        if time.monotonic() > deadline or len(signals) > 1:
            for process in processes:
                process.kill()
            break
        time.sleep(0.05)
    for process in processes:
        process.wait()


def python(*arguments: str) -> list[str]:
    """A command for the same interpreter."""
    return [sys.executable, *arguments]
