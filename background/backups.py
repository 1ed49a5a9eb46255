"""Backups of a whole shop, each one file: the database as of one moment, and the files that lie beside it.

SQLite is copied by its online backup, PostgreSQL by pg_dump, while people and sensors go on writing. An archive is
complete or not there: it is written under another name first.
"""

import hashlib
import json
import os
import shutil
import sqlite3
import subprocess
import tarfile
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory

from django.conf import settings
from django.db import connection, connections

from background.host import project_version

NAME = "loadworthy-%Y%m%dT%H%M%SZ.tar"
DATABASES = {"sqlite": "database.sqlite3", "postgresql": "database.dump"}
# What lies beside the database in the data folder: job files, and the keys without which sessions and browsers end.
BESIDE = ["jobs", "secret_key", "vapid_key"]
ABOUT = "about.json"
# Of the newest backups, of days, weeks and months, so many are stored: about half a year back.
NEWEST, DAYS, WEEKS, MONTHS = 2, 7, 4, 6
CHUNK_BYTES = 1 << 20


class BackupFailed(Exception):
    """A backup cannot be written or restored; the message says what to do."""


@dataclass(frozen=True)
class About:
    """The table of contents of an archive. digests: SHA-256 of each file, by its name."""

    version: str
    database: str
    made_at: str
    digests: dict[str, str]


def back_up(folder: Path | None = None) -> Path:
    """Write a backup of the shop as it is now, delete those that are too many, and return its path.

    folder: settings.BACKUP_FOLDER where it is not given. Raises BackupFailed where it cannot be written.
    """
    folder = folder or settings.BACKUP_FOLDER
    now = datetime.now(UTC)
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        with TemporaryDirectory(prefix=".unfinished-", dir=folder) as made:
            path = folder / now.strftime(NAME)
            _write(Path(made), path, now)
    except OSError as error:
        raise BackupFailed(
            f"No backup can be written to {folder} ({error.strerror or error}): make room and make it writable, "
            "or name another folder in BACKUP_FOLDER."
        ) from error
    for old in find_superfluous(list_backups(folder)):
        old.unlink()
    return path


def _write(made: Path, path: Path, now: datetime) -> None:
    # The database first: files that come meanwhile do no harm, files that are missing would.
    database = made / DATABASES[connection.vendor]
    _copy_database(database)
    contents = [
        database,
        *(settings.DATA_DIR / name for name in BESIDE if (settings.DATA_DIR / name).exists()),
    ]
    files = {
        file.relative_to(root.parent).as_posix(): file for root in contents for file in _list_files(root)
    }
    about = About(
        project_version(),
        connection.vendor,
        now.isoformat(),
        {name: _digest(file) for name, file in files.items()},
    )
    (made / ABOUT).write_text(json.dumps(asdict(about), indent=1))
    unfinished = made / path.name
    with open(os.open(unfinished, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as stream:
        with tarfile.open(fileobj=stream, mode="w") as tar:
            for name, file in {ABOUT: made / ABOUT, **files}.items():
                tar.add(file, name)
        stream.flush()
        os.fsync(stream.fileno())
    unfinished.replace(path)


def _copy_database(target: Path) -> None:
    connection.ensure_connection()
    if connection.vendor == "sqlite":
        # A connection of its own: a copy within the transaction of another one would wait for that.
        source = sqlite3.connect(f"file:{connection.settings_dict['NAME']}?mode=ro", uri=True)
        copy = sqlite3.connect(target)
        try:
            source.backup(copy)
        finally:
            copy.close()
            source.close()
    else:
        _run_postgresql("pg_dump", "--format=custom", f"--file={target}")


def _run_postgresql(program: str, *arguments: str) -> None:
    """Run a program of PostgreSQL on the shop's database; its password goes through the environment."""
    given = connection.settings_dict
    options = {
        "--host": given["HOST"],
        "--port": given["PORT"],
        "--username": given["USER"],
        "--dbname": given["NAME"],
    }
    secret = {"PGPASSWORD": given["PASSWORD"]} if given["PASSWORD"] else {}
    secret |= {
        f"PG{name.upper()}": str(value) for name, value in given["OPTIONS"].items() if name.startswith("ssl")
    }
    command = [program, *arguments, *(f"{name}={value}" for name, value in options.items() if value)]
    try:
        # Its arguments come from the settings alone.
        done = subprocess.run(  # noqa: S603
            command, env=os.environ | secret, capture_output=True, text=True
        )
    except FileNotFoundError as error:
        raise BackupFailed(f"{program} is not there: install the client programs of PostgreSQL.") from error
    if done.returncode:
        raise BackupFailed(f"{program} failed: {done.stderr.strip()[-500:]}")


def _list_files(root: Path) -> list[Path]:
    return [root] if root.is_file() else sorted(file for file in root.rglob("*") if file.is_file())


def _digest(path: Path) -> str:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def list_backups(folder: Path | None = None) -> list[tuple[datetime, Path]]:
    """The time and path of each complete backup, the newest first."""
    found = []
    for path in (folder or settings.BACKUP_FOLDER).glob("loadworthy-*.tar"):
        try:
            found.append((datetime.strptime(path.name, NAME).replace(tzinfo=UTC), path))
        except ValueError:
            # A file of somebody else.
            continue
    return sorted(found, reverse=True)


def find_superfluous(backups: Iterable[tuple[datetime, Path]]) -> list[Path]:
    """The backups that no rule holds: the newest, and the last one of each day, week and month."""
    newest_first, seen = list(backups), [dict[str, Path]() for _ in range(3)]
    kept = {path for _, path in newest_first[:NEWEST]}
    for at, path in newest_first:
        for spans, form, most in zip(seen, ("%Y%j", "%G%V", "%Y%m"), (DAYS, WEEKS, MONTHS), strict=True):
            if len(spans) < most:
                spans.setdefault(at.strftime(form), path)
    kept.update(path for spans in seen for path in spans.values())
    return [path for _, path in newest_first if path not in kept]


def restore(archive: Path) -> About:
    """Put the shop of an archive in the place of the present one, which nobody may use meanwhile.

    The archive is checked as a whole before anything is changed. Files of the present shop are set aside beside the
    data folder's others. Raises BackupFailed for an archive that is damaged, or of the other kind of database.
    """
    with TemporaryDirectory(prefix=".restored-", dir=settings.DATA_DIR) as folder:
        about = _unpack(archive, Path(folder))
        if about.database != connection.vendor:
            raise BackupFailed(
                f"{archive.name} is a backup of {about.database}, and this shop is on {connection.vendor}. "
                "Start it on the same kind of database."
            )
        _replace_database(Path(folder, DATABASES[about.database]))
        aside = settings.DATA_DIR / f"replaced-{datetime.now(UTC):%Y%m%dT%H%M%SZ}"
        for name in BESIDE:
            present, restored = settings.DATA_DIR / name, Path(folder, name)
            if present.exists() and restored.exists():
                aside.mkdir(mode=0o700, exist_ok=True)
                present.rename(aside / name)
            if restored.exists():
                restored.rename(present)
    return about


def _unpack(archive: Path, folder: Path) -> About:
    """Raises BackupFailed unless each file is there as it was written."""
    damaged = f"{archive.name} is no whole backup: take another one."
    try:
        with tarfile.open(archive) as tar:
            tar.extractall(folder, filter="data")
        about = About(**json.loads((folder / ABOUT).read_text()))
        wrong = [name for name, digest in about.digests.items() if _digest(folder / name) != digest]
    except (OSError, tarfile.TarError, ValueError, TypeError) as error:
        raise BackupFailed(f"{damaged} ({error})") from error
    if wrong or DATABASES.get(about.database) not in about.digests:
        raise BackupFailed(f"{damaged} ({', '.join(wrong) or 'without a database'})")
    return about


def _replace_database(copy: Path) -> None:
    if connection.vendor == "postgresql":
        connections.close_all()
        _run_postgresql(
            "pg_restore",
            "--clean",
            "--if-exists",
            "--no-owner",
            "--single-transaction",
            "--exit-on-error",
            str(copy),
        )
        return
    path = Path(str(connection.settings_dict["NAME"]))
    # Beside the old one first: what may fail, such as a full disk, fails before anything is lost.
    beside = path.with_name(f"{path.name}.restored")
    shutil.copyfile(copy, beside)
    beside.chmod(0o600)
    connections.close_all()
    # The log of the old database must not be read into the new one.
    for rest in path.parent.glob(f"{path.name}-*"):
        rest.unlink()
    beside.replace(path)
