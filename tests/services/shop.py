"""A whole shop as a person would start it: prepared, served, and ended with Ctrl-C."""

import fcntl
import os
import re
import shutil
import signal
import subprocess
import sys
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.services.servers import wait_for

REPOSITORY = Path(__file__).resolve().parents[2]
MANAGE = [sys.executable, "manage.py"]
STOP_WITHIN_S = 120.0
# A folder that all processes of a run of tests share; set by tests/conftest.py.
PREPARED = "PREPARED_SHOPS"
OWN_VARIABLES = {"DATABASE_URL", "REDIS_URL", "HOST", "PORT", "DJANGO_SETTINGS_MODULE", "ALLOWED_HOSTS"}


@dataclass
class Shop:
    """A running shop. password: the one that signs in now.

    env: for further commands on the same data, such as run_manage(shop.env, ...)."""

    url: str
    user: str
    password: str
    env: dict[str, str]


@contextmanager
def live_shop(
    database_url: str | None = None, redis_url: str | None = None, demo: bool = False
) -> Iterator[Shop]:
    """Prepare a fresh data folder (and the given, empty database), serve it, and end it with Ctrl-C.

    Without arguments it is what ./run gives: SQLite and no broker. demo: on SQLite. url has no slash at its end.
    """
    with TemporaryDirectory(prefix="loadworthy-") as folder:
        env = shop_env(Path(folder) / "data", database_url, redis_url)
        text = run_manage(env, "prepare") if database_url else prepare_once(env, demo)
        if demo:
            env["LOADWORTHY_DATA"] += "/demo"
        account = re.search(r"name (\S+), password (\S+)", text)
        assert account, text
        with served(env) as (url, _):
            stored = Path(env["LOADWORTHY_DATA"]) / "first_password"
            yield Shop(url, account[1], stored.read_text() if stored.exists() else account[2], env)


def prepare_once(env: dict[str, str], demo: bool = False) -> str:
    """Start ./run on a data folder that is not there; return what it said. It serves nothing: it gets no address.

    The demo shop is in the folder demo of that data folder, which others may read.
    """

    def prepare(data: Path) -> str:
        if demo:
            migrate_once(data / "demo")
            (data / "demo").chmod(0o755)
        arguments = ["--demo"] if demo else []
        # 192.0.2.0/24 is kept for documentation: RFC 5737
        command = ["./run", *arguments, "--host", "192.0.2.1"]
        own = shop_env(data)
        done = subprocess.run(command, cwd=REPOSITORY, env=own, capture_output=True, text=True)
        assert "192.0.2.1 is no address of this machine" in done.stderr, done.stdout + done.stderr
        return done.stdout

    return _copy_of("demo" if demo else "empty", prepare, Path(env["LOADWORTHY_DATA"]))


def migrate_once(data: Path) -> None:
    """Make a data folder with a migrated SQLite database."""

    def migrate(made: Path) -> str:
        made.mkdir(parents=True)
        return run_manage(shop_env(made), "migrate", "--verbosity", "0")

    _copy_of("migrated", migrate, data)


def _copy_of(name: str, make: Callable[[Path], str], data: Path) -> str:
    """Make a data folder, and return what was said.

    One process of a run of tests makes each kind of folder, as that takes seconds; the others copy it.
    """
    if PREPARED not in os.environ:
        return make(data)
    prepared = Path(os.environ[PREPARED], name)
    with prepared.with_suffix(".lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        said = prepared / "said"
        if not said.exists():
            prepared.mkdir(exist_ok=True)
            said.write_text(make(prepared / "data"))
    shutil.copytree(prepared / "data", data)
    return said.read_text()


def shop_env(
    folder: Path, database_url: str | None = None, redis_url: str | None = None, **more: str
) -> dict[str, str]:
    """The environment of a shop on that data folder, whatever the tests themselves were started with."""
    env = {name: value for name, value in os.environ.items() if name not in OWN_VARIABLES}
    env["LOADWORTHY_DATA"] = str(folder)
    # A copy of the shop takes time, and no test waits for the one of the schedule.
    env["DAILY_BACKUP"] = "0"
    # Receivers of the tests.
    env["WEBHOOK_NETWORKS"] = "127.0.0.0/8"
    if database_url:
        env["DATABASE_URL"] = database_url
    if redis_url:
        env["REDIS_URL"] = redis_url
    return env | more


def run_manage(env: dict[str, str], *arguments: str) -> str:
    """Run a command of manage.py to its end and return what it said; AssertionError when it failed."""
    finished = subprocess.run([*MANAGE, *arguments], cwd=REPOSITORY, env=env, capture_output=True, text=True)
    assert finished.returncode == 0, finished.stdout + finished.stderr
    return finished.stdout


@contextmanager
def served(
    env: dict[str, str], command: tuple[str, ...] = (*MANAGE, "up")
) -> Iterator[tuple[str, subprocess.Popen[str]]]:
    """Serve a prepared data folder on a free port: its address and the supervising process.

    At the end comes Ctrl-C, unless the process is gone already; nothing of it may be left then. What it says
    is in log_of(env).
    """
    log = log_of(env)
    with log.open("w") as file:
        supervisor = subprocess.Popen(
            [*command, "--port", "0"], cwd=REPOSITORY, env=env, stdout=file, stderr=file, text=True
        )
    try:
        url = wait_for("the address of the pages", lambda: _address(log, supervisor), within_s=300)
        wait_for("an answer of the pages", lambda: _answers(url))
        yield url, supervisor
        if supervisor.poll() is None:
            supervisor.send_signal(signal.SIGINT)
            assert supervisor.wait(STOP_WITHIN_S) == 0, log.read_text()
    finally:
        if supervisor.poll() is None:
            supervisor.kill()
            supervisor.wait()
    wait_for("the end of all processes", lambda: not processes(env), within_s=STOP_WITHIN_S)


def log_of(env: dict[str, str]) -> Path:
    """A file beside the data folder, which need not be there yet."""
    return Path(env["LOADWORTHY_DATA"]).parent / "up.log"


def processes(env: dict[str, str]) -> list[int]:
    """Processes that were started for the data folder of that environment, or one in it, and still run."""
    mark = f"LOADWORTHY_DATA={env['LOADWORTHY_DATA']}".encode()
    found = []
    for folder in Path("/proc").glob("[0-9]*"):
        try:
            # A zombie has ended and has no environment any more.
            variables = (folder / "environ").read_bytes().split(b"\0")
        except OSError:
            continue
        if any(variable == mark or variable.startswith(mark + b"/") for variable in variables):
            found.append(int(folder.name))
    return found


def name_of(pid: int) -> str:
    """The name of a process, which the supervisor gives to its children; empty when it has ended."""
    try:
        return Path(f"/proc/{pid}/comm").read_text().strip()
    except OSError:
        return ""


def parent_of(pid: int) -> int:
    """The id of its parent process; 0 when it has ended."""
    try:
        return int(Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[1])
    except OSError:
        return 0


def _address(log: Path, supervisor: subprocess.Popen[str]) -> str | None:
    text = log.read_text()
    assert supervisor.poll() is None, text
    address = re.search(r"Loadworthy is at (http://\S+)/ ", text)
    return address[1] if address else None


def _answers(url: str) -> bool:
    try:
        urllib.request.urlopen(f"{url}/healthz", timeout=10).close()
    except OSError:
        return False
    return True
