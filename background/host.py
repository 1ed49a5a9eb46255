"""The machine that runs the service: disk, database, versions."""

import shutil
import socket
import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from platform import python_version

import celery
import django
import redis
from django.conf import settings
from django.db import connection

# Common practice, no source: when the database cannot write, entries of people are lost.
LOW_DISK_BYTES = 1_000_000_000


@dataclass(frozen=True)
class Disk:
    """The disk that holds the data folder."""

    free_bytes: int
    total_bytes: int

    @property
    def low(self) -> bool:
        return self.free_bytes < LOW_DISK_BYTES


def measure_disk() -> Disk:
    # The folder itself is created when something is stored in it.
    folder = next(path for path in (settings.DATA_DIR, *settings.DATA_DIR.parents) if path.exists())
    usage = shutil.disk_usage(folder)
    return Disk(usage.free, usage.total)


def data_folder_is_open() -> bool:
    """Whether other users of the machine can look into it."""
    return settings.DATA_DIR.exists() and bool(settings.DATA_DIR.stat().st_mode & 0o077)


def database_bytes() -> int:
    """Size of the database on its disk."""
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("SELECT pg_database_size(current_database())")
            return int(cursor.fetchone()[0])
    path = Path(str(connection.settings_dict["NAME"]))
    return sum(file.stat().st_size for file in path.parent.glob(f"{path.name}*"))


@cache
def project_version() -> str:
    with (settings.BASE_DIR / "pyproject.toml").open("rb") as file:
        return str(tomllib.load(file)["project"]["version"])


def versions() -> dict[str, str]:
    """Versions of the project and of the software below it."""
    by_name = {
        "Loadworthy": project_version(),
        "Python": python_version(),
        "Django": django.get_version(),
        "Celery": celery.__version__,
        "PostgreSQL" if connection.vendor == "postgresql" else "SQLite": _database_version(),
    }
    return by_name | ({"Redis": _redis_version()} if settings.REDIS_URL else {})


def _database_version() -> str:
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute("SHOW server_version")
        else:
            cursor.execute("SELECT sqlite_version()")
        return str(cursor.fetchone()[0])


def _redis_version() -> str:
    try:
        with redis.Redis.from_url(settings.REDIS_URL, socket_connect_timeout=2, socket_timeout=2) as client:
            return str(client.info("server")["redis_version"])
    except (redis.RedisError, ValueError):
        return "does not answer"


def find_own_address() -> str:
    """The address under which other machines of the network reach this one; empty: it has none.

    Opening a datagram socket asks the kernel for the way and sends nothing; the far address is one of documentation.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as way:
        try:
            way.connect(("192.0.2.1", 9))
        except OSError:
            return ""
        return str(way.getsockname()[0])


def answers(address: str, port: int) -> bool:
    """Whether a program of this machine answers under this address of it, which tells on what it listens."""
    try:
        with socket.create_connection((address, port), timeout=0.5):
            return True
    except OSError:
        return False
