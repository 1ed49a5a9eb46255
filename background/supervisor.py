"""Run the pages and the background work as child processes: together up, together down.

The supervisor imports the project once and forks its children, so that they share the memory of what is
imported. They have sessions of their own, so Ctrl-C in a terminal reaches the supervisor alone and it ends
them in order. The kernel ends them when the supervisor is killed (PR_SET_PDEATHSIG), so nothing is left.
"""

import ctypes
import errno
import fcntl
import gc
import logging
import multiprocessing
import os
import re
import signal
import socket
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import IO

logger = logging.getLogger(__name__)

STOP_WITHIN_S = 8.0
POLL_S = 0.2
LONGEST_RESTART_DELAY_S = 30.0
STEADY_AFTER_S = 60.0
PR_SET_PDEATHSIG, PR_SET_NAME = 1, 15
SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
# Areas of memory that show a file and cannot be written to: "7f10-7f20 r-xp 00000000 08:01 42 /usr/lib/..."
FILE_AREA = re.compile(r"([0-9a-f]+)-([0-9a-f]+) r-[x-]p \S+ \S+ [1-9]\d* +/")
MADV_DONTNEED = 4
_fork = multiprocessing.get_context("fork")
_libc = ctypes.CDLL(None, use_errno=True)


class CannotStart(Exception):
    """The message is one sentence for the person who started the program, with a remedy."""


def lock_data_folder(folder: Path) -> IO[str]:
    """Lock the data folder for this process, until the returned file is closed or the process ends."""
    path = folder / "up.lock"
    try:
        lock = path.open("a+")
    except OSError as error:
        raise data_folder_error(folder, error) from error
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError as error:
        lock.close()
        raise CannotStart(
            f"Loadworthy is already running on the data folder {folder}: stop that one first (Ctrl-C), "
            "or name another folder in LOADWORTHY_DATA."
        ) from error
    return lock


def data_folder_error(folder: Path, error: OSError) -> CannotStart:
    return CannotStart(
        f"The data folder {folder} cannot be written to ({error.strerror}): make it writable for you, "
        "or name another one in LOADWORTHY_DATA."
    )


def listen(host: str, port: int) -> socket.socket:
    """Open a listening socket. It is the test of the port too: no other program can take it in between."""
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
        reasons = {
            errno.EADDRINUSE: f"Port {port} on {host} is in use by another program: stop that program, or "
            f"choose another port with --port {port + 1}.",
            errno.EACCES: f"Port {port} on {host} may be used by the administrator only: choose a port from "
            "1024 up with --port.",
            errno.EADDRNOTAVAIL: f"{host} is no address of this machine: give another one with --host.",
        }
        raise CannotStart(
            reasons.get(error.errno or 0, f"Port {port} on {host} cannot be used: {error.strerror}.")
        ) from error
    return listener


@dataclass
class Child:
    """One child process, started again with growing delay when it ends by itself."""

    name: str  # at most 15 characters, as process lists show it
    run: Callable[[], object]
    env: dict[str, str] = field(default_factory=dict)
    # Files and sockets of the supervisor that the child must not hold open.
    close: tuple[IO[str] | socket.socket, ...] = ()
    process: BaseProcess | None = None
    started: float = 0.0
    start_at: float = 0.0
    delay_s: float = 1.0

    def ensure_running(self) -> None:
        """Start the process when it is due, and plan the next start when it has ended."""
        now = time.monotonic()
        if self.process is None:
            if now >= self.start_at:
                self.start()
        elif (code := self.process.exitcode) is not None:
            if now - self.started > STEADY_AFTER_S:
                self.delay_s = 1.0
            logger.error(
                "The %s ended (exit code %d); it is started again in %.0f s.", self.name, code, self.delay_s
            )
            self.process.close()
            self.process = None
            self.start_at = now + self.delay_s
            self.delay_s = min(2 * self.delay_s, LONGEST_RESTART_DELAY_S)

    def start(self) -> None:
        self.started = time.monotonic()
        self.process = _fork.Process(target=self._run, args=(os.getpid(),), name=self.name)
        self.process.start()

    def _run(self, supervisor: int) -> None:
        os.setsid()
        _libc.prctl(PR_SET_PDEATHSIG, signal.SIGKILL)
        if os.getppid() != supervisor:
            os._exit(1)
        _libc.prctl(PR_SET_NAME, self.name.encode())
        for number in SIGNALS:
            if callable(signal.getsignal(number)):
                signal.signal(number, signal.SIG_DFL)
        for resource in self.close:
            resource.close()
        os.environ.update(self.env)
        self.run()


def supervise(children: list[Child]) -> None:
    """Run the children until SIGINT, SIGTERM or SIGHUP, then end them; at once at a second signal."""
    signals: list[int] = []
    for number in SIGNALS:
        # nohup ignores SIGHUP on purpose; but SIGINT, which shells ignore for "./run &", ends the program.
        if number == signal.SIGINT or signal.getsignal(number) != signal.SIG_IGN:
            signal.signal(number, lambda received, _frame: signals.append(received))
    # Objects that the garbage collector marks would be copied for each child.
    gc.collect()
    gc.freeze()
    unmap_library_pages()
    try:
        while not signals:
            for child in children:
                child.ensure_running()
            time.sleep(POLL_S)
    finally:
        _end_processes([child.process for child in children if child.process], signals)


def unmap_library_pages() -> int:
    """Drop the pages of libraries that the imports have used, some 90 MiB of LLVM above all.

    Whatever is needed again is mapped from the kernel's page cache. Only file pages without changes of this
    process are dropped, so nothing can be lost. Returns the bytes dropped.
    """
    dropped, area = 0, None
    for line in Path("/proc/self/smaps").read_text().splitlines():
        if header := FILE_AREA.match(line):
            area = int(header[1], 16), int(header[2], 16)
        elif area is not None and line.startswith("Rss:"):
            resident = int(line.split()[1]) * 1024
        elif area is not None and line.startswith("Anonymous:"):
            start, end = area
            if line.split()[1] == "0" and not _libc.madvise(
                ctypes.c_void_p(start), ctypes.c_size_t(end - start), MADV_DONTNEED
            ):
                dropped += resident
            area = None
    return dropped


def _end_processes(processes: list[BaseProcess], signals: list[int]) -> None:
    """Ask all to end; those left after STOP_WITHIN_S, or at a further signal, are killed."""
    for process in processes:
        process.terminate()
    deadline = time.monotonic() + STOP_WITHIN_S
    while any(process.is_alive() for process in processes):
        if time.monotonic() > deadline or len(signals) > 1:
            for process in processes:
                process.kill()
            break
        time.sleep(0.05)
    for process in processes:
        process.join()
