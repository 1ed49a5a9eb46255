"""Writes the whole shop as one archive: facts as text, which another installation loads on either database.

A zip file with a manifest, one member of JSON lines for each table, and the content of the job files. All rows are
those of one moment, while people and sensors go on writing.
"""

import hashlib
import json
import os
import zipfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from django.db import connection, models, transaction
from django.utils import timezone

from background.host import project_version
from maintenance.archive.contents import compute_schema, list_exported, read_lines
from maintenance.archive.derived import digest_derived
from maintenance.jobs.files import stored_path
from maintenance.models import JobFile

FORMAT = 1
MANIFEST = "manifest.json"
CHUNK = 1 << 20


class ArchiveRefused(Exception):
    """An archive cannot be written or loaded; the message says what to do."""


@dataclass(frozen=True)
class Member:
    """sha256: of its content. rows: 0 for the content of a job file."""

    sha256: str
    size: int
    rows: int = 0


@dataclass(frozen=True)
class Manifest:
    """The first thing to read of an archive.

    schema: compute_schema() of its tables. derived: digest_derived(exported_at), as the exporting shop computed it.
    """

    format: int
    version: str
    schema: str
    exported_at: datetime
    accounts: bool
    members: dict[str, Member]
    derived: dict[str, str]


def rows_member(model: type[models.Model]) -> str:
    return f"rows/{model._meta.label}.jsonl"


def export_shop(path: Path, *, with_accounts: bool = False) -> Manifest:
    """Write the archive, or nothing. with_accounts: also passwords, tokens, channels and the audit trail.

    Raises ArchiveRefused where there is a file already, or none can be written.
    """
    if path.exists():
        raise ArchiveRefused(f"{path} is there already: give another name.")
    try:
        with TemporaryDirectory(prefix=".unfinished-", dir=path.absolute().parent) as folder:
            made = Path(folder, "archive")
            with open(os.open(made, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600), "w+b") as stream:
                with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive, one_moment():
                    manifest = _write(archive, with_accounts)
                stream.flush()
                os.fsync(stream.fileno())
            made.replace(path)
    except OSError as error:
        raise ArchiveRefused(
            f"No archive can be written to {path} ({error.strerror or error}): make room, or name another folder."
        ) from error
    return manifest


@contextmanager
def one_moment() -> Iterator[None]:
    """All that is read within is as of one moment, and nobody waits for it. What is written within is undone."""
    # SQLite's transactions take the lock of writers otherwise.
    database: Any = connection
    usual = getattr(database, "transaction_mode", None)
    if connection.vendor == "sqlite":
        database.transaction_mode = "DEFERRED"
    try:
        with transaction.atomic():
            if connection.vendor == "postgresql" and len(connection.savepoint_ids) == 0:
                with connection.cursor() as cursor:
                    cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ")
            yield
            transaction.set_rollback(True)
    finally:
        if connection.vendor == "sqlite":
            database.transaction_mode = usual


def _write(archive: zipfile.ZipFile, with_accounts: bool) -> Manifest:
    tables = list_exported(with_accounts)
    members = {
        rows_member(model): _add(archive, rows_member(model), read_lines(model, with_accounts))
        for model in tables
    }
    now = timezone.now()
    derived = digest_derived(now)
    digests = JobFile.objects.filter(content_deleted_at=None).order_by("digest")
    for digest in digests.values_list("digest", flat=True).distinct():
        if stored_path(digest).exists():
            member = _add(archive, f"jobs/{digest}", _read_content(digest))
            members[f"jobs/{digest}"] = Member(member.sha256, member.size)
    manifest = Manifest(
        FORMAT, project_version(), compute_schema(tables), now, with_accounts, members, derived
    )
    text = json.dumps(asdict(manifest) | {"exported_at": now.isoformat()}, indent=1)
    archive.writestr(zipfile.ZipInfo(MANIFEST), text, zipfile.ZIP_DEFLATED)
    return manifest


def _read_content(digest: str) -> Iterator[bytes]:
    with stored_path(digest).open("rb") as file:
        while chunk := file.read(CHUNK):
            yield chunk


def _add(archive: zipfile.ZipFile, name: str, lines: Iterable[bytes]) -> Member:
    digest, size, count = hashlib.sha256(), 0, 0
    # Without a time of its own: equal members of two archives are equal bytes.
    info = zipfile.ZipInfo(name)
    info.compress_type = zipfile.ZIP_DEFLATED
    with archive.open(info, "w", force_zip64=True) as stream:
        for line in lines:
            stream.write(line)
            digest.update(line)
            size += len(line)
            count += 1
    return Member(digest.hexdigest(), size, count)
