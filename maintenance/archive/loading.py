"""Loads an archive into a fresh installation: all of it or nothing, then compares what follows from the facts."""

import hashlib
import json
import re
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from io import StringIO
from itertools import islice
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from django.conf import settings
from django.core.management import call_command
from django.core.management.color import no_style
from django.db import DatabaseError, connection, models, transaction

from access.models import User
from background.host import project_version
from maintenance.archive.contents import (
    CATALOGUE,
    build_row,
    compute_schema,
    list_exported,
    list_tables,
)
from maintenance.archive.derived import digest_derived
from maintenance.archive.writing import CHUNK, FORMAT, MANIFEST, ArchiveRefused, Manifest, Member, rows_member

MANIFEST_BYTES = 16 << 20
LINE_BYTES = 16 << 20
# Rows of numbers become twenty times smaller; only made-up ones become 200 times smaller.
MOST_COMPRESSED = 200
BATCH = 500
JOB_FILE = re.compile(r"jobs/[0-9a-f]{64}")
UNREADABLE = (
    OSError,
    EOFError,
    zipfile.BadZipFile,
    zlib.error,
    ValueError,
    TypeError,
    KeyError,
    RuntimeError,
)
# Of an account that is here already: its way in and its rights stay those of this installation.
DOOR = ["password", "email", "role", "is_superuser", "is_staff", "is_active", "must_change_password"]


@dataclass(frozen=True)
class Loaded:
    """different: kinds of derived state that are not equal to the bit. locked: accounts without a password."""

    manifest: Manifest
    rows: int
    job_files: int
    different: list[str]
    locked: list[str]


def import_shop(path: Path) -> Loaded:
    """Load an archive into an installation without facts, and compute all that is derived.

    Raises ArchiveRefused, and changes nothing, for an archive that is cut, damaged, foreign or of another version,
    and where there is a shop already.
    """
    if not path.is_file():
        raise ArchiveRefused(f"There is no file {path}: give the one that export_shop wrote.")
    settings.DATA_DIR.mkdir(mode=0o700, parents=True, exist_ok=True)
    with (
        _reading(path),
        zipfile.ZipFile(path) as archive,
        TemporaryDirectory(prefix=".imported-", dir=settings.DATA_DIR) as folder,
    ):
        manifest = _read_manifest(archive, path)
        for name, member in manifest.members.items():
            target = Path(folder, name.removeprefix("jobs/")) if JOB_FILE.fullmatch(name) else None
            _verify(archive, name, member, target)
        with transaction.atomic():
            require_empty()
            _replace_rows(archive, manifest)
            job_files = _store_job_files(Path(folder))
    call_command("rebuild", stdout=StringIO())
    computed = digest_derived(manifest.exported_at)
    return Loaded(
        manifest,
        sum(member.rows for member in manifest.members.values()),
        job_files,
        [kind for kind, digest in computed.items() if manifest.derived.get(kind) != digest],
        [user.username for user in User.objects.order_by("pk") if not user.has_usable_password()],
    )


@contextmanager
def _reading(path: Path) -> Iterator[None]:
    """Whatever the reading of a damaged or foreign file raises becomes one sentence."""
    try:
        yield
    except (*UNREADABLE, DatabaseError) as error:
        raise ArchiveRefused(
            f"{path.name} is no whole archive of a shop: export it again. Nothing was changed. ({error})"
        ) from error


def require_empty() -> None:
    """Raises ArchiveRefused where there is more than the catalogue and accounts."""
    filled = [
        str(model._meta.verbose_name_plural)
        for model in list_exported(with_accounts=False)
        if model._meta.label not in CATALOGUE and models.QuerySet(model).exists()
    ]
    if filled:
        raise ArchiveRefused(
            f"There is a shop here already ({', '.join(filled[:5])}). Load the archive into a new installation: "
            "name an empty folder in LOADWORTHY_DATA, or an empty database in DATABASE_URL, and start it once."
        )


def _read_manifest(archive: zipfile.ZipFile, path: Path) -> Manifest:
    with archive.open(MANIFEST) as stream:
        text = stream.read(MANIFEST_BYTES + 1)
    if len(text) > MANIFEST_BYTES:
        raise ValueError("its manifest is too long")
    values = json.loads(text)
    if values["format"] != FORMAT:
        raise ArchiveRefused(
            f"{path.name} has the format {values['format']}, and this version reads {FORMAT}: "
            f"load it with version {values['version']}."
        )
    members = {name: Member(**member) for name, member in values["members"].items()}
    exported_at = datetime.fromisoformat(values["exported_at"])
    manifest = Manifest(**values | {"members": members, "exported_at": exported_at})
    tables = list_exported(manifest.accounts)
    if manifest.schema != compute_schema(tables):
        raise ArchiveRefused(
            f"{path.name} is of version {manifest.version}, whose tables differ from those of this one "
            f"({project_version()}): load it with that version, then update."
        )
    wanted = {rows_member(model) for model in tables}
    foreign = [name for name in members.keys() - wanted if not JOB_FILE.fullmatch(name)]
    if foreign or wanted - members.keys() or sorted(archive.namelist()) != sorted([*members, MANIFEST]):
        raise ValueError("its members are not those of its manifest")
    return manifest


def _verify(archive: zipfile.ZipFile, name: str, member: Member, target: Path | None) -> None:
    """Reads a member to its end, and no further than its stated size. target: where a job file's content goes."""
    info = archive.getinfo(name)
    if info.file_size != member.size or member.size > CHUNK + MOST_COMPRESSED * info.compress_size:
        raise ValueError(f"{name} has another size")
    digest, size = hashlib.sha256(), 0
    with archive.open(info) as stream, (target or Path("/dev/null")).open("wb") as copy:
        while chunk := stream.read(CHUNK):
            size += len(chunk)
            if size > member.size:
                raise ValueError(f"{name} is longer than stated")
            digest.update(chunk)
            copy.write(chunk)
    if digest.hexdigest() != member.sha256 or (target and target.name != member.sha256):
        raise ValueError(f"{name} was changed")


def _replace_rows(archive: zipfile.ZipFile, manifest: Manifest) -> None:
    """Loads all rows in the place of catalogue and accounts, within the transaction of the caller."""
    here = list(User.objects.order_by("pk"))
    tables = list_exported(manifest.accounts)
    kept = {"auth.Permission", "contenttypes.ContentType", "auth.Group", "auth.Group_permissions"}
    kept |= set() if manifest.accounts else {"access.AuditEntry"}
    for model in list_tables():
        if model._meta.label not in kept:
            models.QuerySet(model)._raw_delete(connection.alias)
    for model in tables:
        with archive.open(rows_member(model)) as stream:
            rows = (build_row(model, line) for line in _lines(stream))
            count = 0
            while batch := list(islice(rows, BATCH)):
                count += _insert(model, batch)
        if count != manifest.members[rows_member(model)].rows:
            raise ValueError(f"{rows_member(model)} has {count} rows")
    connection.check_constraints()
    with connection.cursor() as cursor:
        for statement in connection.ops.sequence_reset_sql(no_style(), tables):
            cursor.execute(statement)
    _keep_accounts(here, prefer_here=not manifest.accounts)


def _lines(stream: Any) -> Iterator[bytes]:
    while line := stream.readline(LINE_BYTES):
        yield line


def _insert(model: type[models.Model], rows: list[models.Model]) -> int:
    """Stores rows as they are: bulk_create would set the times at which they were recorded."""
    columns = model._meta.local_concrete_fields
    most = max(1, connection.ops.bulk_batch_size(columns, rows))
    for first in range(0, len(rows), most):
        rows_now: Any = models.QuerySet(model)
        rows_now._insert(rows[first : first + most], fields=columns, using=connection.alias, raw=True)
    return len(rows)


def _keep_accounts(here: list[User], prefer_here: bool) -> None:
    """The accounts of this installation stay, so that somebody can sign in; those of one name become one."""
    loaded = {user.username: user for user in User.objects.all()}
    for user in here:
        if user.username not in loaded:
            user.pk = None
            user.save(force_insert=True)
        elif prefer_here:
            values = {name: getattr(user, name) for name in DOOR}
            User.objects.filter(pk=loaded[user.username].pk).update(**values)


def _store_job_files(folder: Path) -> int:
    """Their names are their digests, so that content of before is the same."""
    target = settings.DATA_DIR / "jobs"
    target.mkdir(mode=0o700, exist_ok=True)
    files = list(folder.iterdir())
    for file in files:
        file.replace(target / file.name)
    return len(files)
