"""Job files: taken in from a page, a script or the watched folder, and read as background work."""

import hashlib
import os
import stat
import time
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from tempfile import NamedTemporaryFile
from typing import Any

from django.conf import settings
from django.core.exceptions import ValidationError
from django.db import connection, transaction
from django.db.models import Max
from django.utils import timezone
from django.utils.translation import gettext as _

from background.host import measure_disk
from background.lines import as_line
from background.queue import enqueue
from maintenance import limits
from maintenance.gcode import GcodeError, JobFacts, ReaderSettings, read_job_apart
from maintenance.models import JobFile, Printer
from spools.checks import require_within
from spools.refusals import refusal
from spools.statements import Statement
from spools.wording import format_exact

MOST_BYTES = 2**30
# What a form adds to its file.
FORM_BYTES = 2**20
CHUNK = 2**20
ENDINGS = (".gcode", ".gco", ".g", ".nc", ".gz", ".3mf", ".zip")
# A file in the watched folder is complete when nobody has written to it for so long.
UNCHANGED_FOR_S = 10.0
# The watched folder is emptied in portions: each is one piece of work.
BATCH_SIZE = 20
# Younger content may belong to a file that is being added.
YOUNGEST_PRUNED = timedelta(days=1)
CONTENT_DELETED = Statement("job_file.content_deleted")
GIVEN_UP = Statement("job_file.given_up")
# Between two checks that the reading was not stopped.
STOP_CHECK_INTERVAL_S = 0.5
State = JobFile.State
BUSY = (State.WAITING, State.READING)
JOB_FILES_LOCK = 7_203_116  # any number that no other advisory lock of this database has


@dataclass(frozen=True)
class StoredContent:
    """Content that is stored in the data folder under its digest."""

    name: str
    digest: str
    size_bytes: int


def stored_path(digest: str) -> Path:
    return settings.DATA_DIR / "jobs" / digest


def require_room(user: Any, size: int) -> None:
    """Refuses bytes that are more than one file has, more than the account may store, or too many for the disk."""
    if size > MOST_BYTES + FORM_BYTES:
        raise refusal("file_too_large", _("The file is larger than 1 GiB. Pack it with gzip."), "file")
    # A body lies in a temporary file, too, until it is stored.
    _require_free_disk(2 * size)
    _require_quota(user, size)


def _require_quota(user: Any, size: int, digest: str = "") -> None:
    """digest: of the content, which takes no more room where the account stores it already."""
    if settings.JOB_FILES_BYTES and _stored_bytes(user, digest) + size > settings.JOB_FILES_BYTES:
        most_gib = settings.JOB_FILES_BYTES / 2**30
        raise refusal(
            "job_files_quota",
            _(
                "Your account may store {most_gib} GiB of job files, and this one goes beyond "
                "that. Delete the content of old ones on their pages (their results stay), pack "
                "files with gzip, or ask for a higher JOB_FILES_GIB."
            ).format(most_gib=format_exact(most_gib)),
            "file",
        )


def _require_free_disk(size: int) -> None:
    if settings.LEAST_FREE_BYTES and measure_disk().free_bytes - size < settings.LEAST_FREE_BYTES:
        raise refusal(
            "disk_low", _("The disk of the service is nearly full. Make room on it, then try again."), "file"
        )


def _stored_bytes(user: Any, but: str) -> int:
    """The size of the content that an account has added and that is stored yet; but: a digest that is left out."""
    added = JobFile.objects.filter(added_by=user, content_deleted_at=None).exclude(digest=but)
    return sum(added.values("digest").annotate(size=Max("size_bytes")).values_list("size", flat=True))


def store_content(name: str, chunks: Iterable[bytes], by: Any = None) -> StoredContent:
    """Stores content in the data folder, a chunk at a time; the same content is stored once. by: whose quota it takes.

    When this returns, the content is on the disk: a row that names it is never ahead of it after a power cut.
    Refused: no content, more than MOST_BYTES, a disk that is nearly full.
    """
    _require_free_disk(0)
    folder = settings.DATA_DIR / "jobs"
    digest, size = hashlib.sha256(), 0
    try:
        if not folder.is_dir():
            folder.mkdir(parents=True, exist_ok=True)
            _sync_folder(folder.parent)
        # The content has a temporary name until it is complete.
        with NamedTemporaryFile(dir=folder, delete=False) as part:
            try:
                for chunk in chunks:
                    size += len(chunk)
                    if size > MOST_BYTES:
                        raise refusal(
                            "file_too_large",
                            _("{name} is larger than 1 GiB. Pack it with gzip.").format(name=name),
                            "file",
                        )
                    digest.update(chunk)
                    part.write(chunk)
                if size == 0:
                    raise refusal(
                        "file_empty", _("{name} is empty. Export the job again.").format(name=name), "file"
                    )
                if by is not None:
                    _require_quota(by, size, digest.hexdigest())
                part.flush()
                os.fsync(part.fileno())
                os.replace(part.name, stored_path(digest.hexdigest()))
            except BaseException:
                os.unlink(part.name)
                raise
        _sync_folder(folder)
    except OSError as error:
        raise refusal(
            "file_not_stored",
            _("{name} could not be stored: {strerror}.").format(name=name, strerror=error.strerror),
            "file",
        ) from None
    return StoredContent(name, digest.hexdigest(), size)


def _sync_folder(folder: Path) -> None:
    """Writes the names of a folder's files to the disk."""
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def lock_job_files() -> None:
    """Waits for the transaction that adds or deletes content, and holds the lock until this one ends.

    So two uploads at once do not both take the last of a quota, and none names content that is being deleted.
    SQLite has one writer at a time anyway.
    """
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("SELECT pg_advisory_xact_lock(%s)", [JOB_FILES_LOCK])


@transaction.atomic
def add_job_file(
    stored: StoredContent,
    *,
    printer: Printer | None = None,
    diameter_mm: float = 1.75,
    taken_from: str | None = None,
    by: Any = None,
) -> JobFile:
    """Take a stored file in; it is read as background work.

    Refused: a diameter that no filament has, content that was deleted meanwhile, and what goes beyond the quota of its
    account, of which no content is left then.
    """
    diameter_mm = require_within("diameter_mm", diameter_mm, *limits.FILE_DIAMETER_MM)
    lock_job_files()
    if not stored_path(stored.digest).exists():
        raise refusal("content_removed", _("The same content was just deleted. Send the file again."), "file")
    if by is not None:
        try:
            _require_quota(by, stored.size_bytes, stored.digest)
        except ValidationError:
            _remove_unused(stored.digest)
            raise
    name = as_line(stored.name.strip())[-200:] or "job"
    added = JobFile.objects.create(
        name=name,
        digest=stored.digest,
        size_bytes=stored.size_bytes,
        taken_from=taken_from,
        printer=printer,
        diameter_mm=diameter_mm,
        added_by=by,
    )
    _enqueue(added)
    return added


@transaction.atomic
def read_again(
    file: JobFile, *, printer: Printer | None = None, diameter_mm: float = 1.75, member: str = ""
) -> JobFile:
    """Reads a file again, as another machine understands it or for other filament; its facts are replaced."""
    diameter_mm = require_within("diameter_mm", diameter_mm, *limits.FILE_DIAMETER_MM)
    file = JobFile.objects.select_for_update(no_key=True, of=("self",)).get(pk=file.pk)
    if file.content_deleted_at or not stored_path(file.digest).exists():
        raise refusal("content_removed", CONTENT_DELETED.sentence)
    if len(member) > 200:
        raise refusal("too_long", _("Give at most 200 characters."), "member")
    file.printer, file.diameter_mm, file.member = printer, diameter_mm, member.strip()
    file.state, file.share_read, file.problem = State.WAITING, 0, None
    file.round += 1
    file.save(update_fields=["printer", "diameter_mm", "member", "state", "share_read", "problem", "round"])
    _enqueue(file)
    return file


def stop_reading(file: JobFile) -> None:
    """Its reading ends at the next look. Refused: one that is over."""
    stopped = JobFile.objects.filter(pk=file.pk, state__in=BUSY)
    if not stopped.update(state=State.STOPPED):
        raise refusal("reading_ended", _("The file is not being read any more. Look at the page again."))


def facts_of(file: JobFile) -> JobFacts:
    """The facts of a file. Refused: a file that has not been read."""
    if file.state != State.READ or file.facts is None:
        raise refusal(
            "not_read",
            _("{file} has not been read. Read it first.").format(file=file),
        )
    return JobFacts.from_json(file.facts)


def _enqueue(file: JobFile) -> None:
    arguments = {"job_file": file.pk, "number": file.round}
    enqueue("maintenance.read_job_file", arguments, key=f"job-file:{file.pk}:{file.round}")


# Reading, as background work


class _NotWanted(Exception):
    """This reading was stopped, or a later one began."""


def read_file(job_file: int, number: int) -> dict[str, Any] | None:
    """Read a file, outside any transaction: its facts or its problem; None when nobody wants them."""
    # Refused: by an attempt that was given up and is tried again.
    may_be_read = [State.WAITING, State.READING, State.REFUSED]
    this_round = JobFile.objects.filter(pk=job_file, round=number, state__in=may_be_read)
    if not this_round.update(state=State.READING, share_read=0):
        return None
    file = this_round.select_related("printer").get()
    follows = file.printer is None or file.printer.e_follows_g90
    reading = ReaderSettings(diameter_mm=file.diameter_mm, e_follows_g90=follows)
    looked = time.monotonic()

    def progress(share: float) -> None:
        nonlocal looked
        if time.monotonic() - looked >= STOP_CHECK_INTERVAL_S:
            looked = time.monotonic()
            if not this_round.update(share_read=share):
                raise _NotWanted

    if not stored_path(file.digest).exists():
        return {"state": State.REFUSED, "problem": CONTENT_DELETED, "facts": None}
    try:
        facts = read_job_apart(stored_path(file.digest), reading, member=file.member, progress=progress)
    except GcodeError as error:
        return {"state": State.REFUSED, "problem": error.statement, "facts": None}
    except _NotWanted:
        return None
    return {"state": State.READ, "problem": None, "facts": facts.as_json()}


def store_reading(job_file: int, number: int, read: dict[str, Any] | None) -> None:
    """Store what read_file brought, unless that reading has been stopped or overtaken meanwhile."""
    if read is not None:
        JobFile.objects.filter(pk=job_file, round=number, state=State.READING).update(share_read=1, **read)


def give_up_reading(job_file: int, number: int) -> None:
    """Show that this reading failed for good."""
    this_round = JobFile.objects.filter(pk=job_file, round=number, state__in=BUSY)
    this_round.update(state=State.REFUSED, problem=GIVEN_UP, facts=None)


# Content is deleted, facts are not


@transaction.atomic
def delete_content(file: JobFile, *, by: Any = None) -> JobFile:
    """Deletes the stored content of a file to make room; its facts and prints stay.

    Other files of the same content and account go with it, as they hold the same room; content that other accounts
    store, too, stays for them. Nothing changes where it is deleted already. Refused: while it is read.
    """
    lock_job_files()
    same = JobFile.objects.select_for_update(no_key=True, of=("self",)).filter(
        digest=file.digest, added_by=file.added_by_id, content_deleted_at=None
    )
    if any(row.busy for row in same):
        raise refusal("file_being_read", _("The file is being read. Stop reading it first."))
    same.update(content_deleted_at=timezone.now(), content_deleted_by=by)
    _remove_unused(file.digest)
    file.refresh_from_db()
    return file


def _remove_unused(digest: str) -> None:
    """Removes content that no file stores any more. The lock is held: nobody is about to name it."""
    if not JobFile.objects.filter(digest=digest, content_deleted_at=None).exists():
        stored_path(digest).unlink(missing_ok=True)


@transaction.atomic
def prune_contents(now: datetime) -> int:
    """Removes stored content that came longer ago than KEEP_JOB_FILES_DAYS; returns how many files.

    The facts read from it stay. 0 days: nothing is removed.
    """
    if not settings.KEEP_JOB_FILES_DAYS:
        return 0
    lock_job_files()
    stored = JobFile.objects.filter(content_deleted_at=None)
    old = stored.filter(added_at__lt=now - timedelta(days=settings.KEEP_JOB_FILES_DAYS))
    old.exclude(state__in=BUSY).update(content_deleted_at=now)
    in_use = set(stored.values_list("digest", flat=True))
    young = (now - YOUNGEST_PRUNED).timestamp()
    contents = _list_files(settings.DATA_DIR / "jobs")
    removed = [path for path, status in contents if status.st_mtime < young and path.name not in in_use]
    for path in removed:
        path.unlink(missing_ok=True)
    return len(removed)


# The watched folder


def store_watched_files() -> list[tuple[StoredContent, str]]:
    """Stores the new files of the watched folder that nobody writes to, each with a key that is used once.

    The files stay as they are. One that cannot be stored now is tried again by the next run.
    """
    paths: dict[str, Path] = {}
    for path, status in _list_files(Path(settings.WATCHED_FOLDER)) if settings.WATCHED_FOLDER else ():
        if not path.name.lower().endswith(ENDINGS):
            continue
        if status.st_size and time.time() - status.st_mtime >= UNCHANGED_FOR_S:
            paths[f"{as_line(path.name)[-200:]}:{status.st_size}:{status.st_mtime_ns}"] = path
    known_keys = set(JobFile.objects.filter(taken_from__in=paths).values_list("taken_from", flat=True))
    added = []
    for key in sorted(paths.keys() - known_keys)[:BATCH_SIZE]:
        try:
            added.append((store_content(paths[key].name, _chunks(paths[key])), key))
        except ValidationError:
            continue
    return added


def _list_files(folder: Path) -> Iterator[tuple[Path, os.stat_result]]:
    """The regular files of a folder with their status; nothing for a folder that cannot be listed."""
    try:
        with os.scandir(folder) as listing:
            entries = list(listing)
    except OSError:
        return
    for entry in entries:
        try:
            status = entry.stat(follow_symlinks=False)
        except OSError:
            # Programs write under a temporary name: this one was renamed or removed since it was listed.
            continue
        if stat.S_ISREG(status.st_mode):
            yield Path(entry.path), status


def _chunks(path: Path) -> Iterator[bytes]:
    with path.open("rb") as file:
        while chunk := file.read(CHUNK):
            yield chunk
