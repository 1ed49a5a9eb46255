"""A job file as chunks of whole lines: plain, packed with gzip, or inside a ZIP container such as 3MF.

Everything is checked while it is read, so neither a packed bomb nor a line without end takes memory.
"""

import gzip
import os
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

import numpy as np

from .errors import GcodeError
from .layout import Array

CHUNK = 4 * 2**20
LONGEST_LINE = 2**20
# The most that is read of one job, unpacked.
MOST_BYTES = 4 * 2**30
# The most that a container's list of contents may take.
MOST_LISTING = 2**20
ENDINGS = (".gcode", ".gco", ".g", ".nc")
UTF8_MARK = b"\xef\xbb\xbf"
UTF16_MARKS = (b"\xff\xfe", b"\xfe\xff")
BROKEN = (EOFError, OSError, RuntimeError, NotImplementedError, ValueError, zlib.error, zipfile.BadZipFile)


class JobSource:
    """An open job file. packing: "plain", "gzip" or "ZIP"; member: its name in a container."""

    def __init__(self, text: IO[bytes], stored: IO[bytes], packing: str, member: str = "") -> None:
        self._text, self._stored = text, stored
        self._size = os.fstat(stored.fileno()).st_size
        self.packing, self.member = packing, member
        # Bytes of text read so far.
        self.bytes = 0

    def share_read(self) -> float:
        """How much of the stored file has been read, 0 to 1."""
        return min(1.0, self._stored.tell() / self._size)

    def chunks(self) -> Iterator[tuple[Array, int, int]]:
        """Whole lines: a buffer, how much of it is filled, where in the text it lies. One buffer for all.

        Raises GcodeError for what is no text, too long, or damaged.
        """
        buffer = bytearray(LONGEST_LINE + CHUNK + 1)
        view, array = memoryview(buffer), np.frombuffer(buffer, np.uint8)
        carried = 0
        while count := self._read_into(view[carried : carried + CHUNK]):
            filled = carried + count
            self._check_text(buffer, carried, filled)
            base = self.bytes - carried
            self.bytes += count
            if self.bytes > MOST_BYTES:
                raise GcodeError(
                    f"The job is longer than {MOST_BYTES // 2**30} GiB of text. Split it, or export it again."
                )
            line_end = buffer.rfind(b"\n", 0, filled) + 1 or buffer.rfind(b"\r", 0, filled - 1) + 1
            if line_end:
                yield array, line_end, base
            carried = filled - line_end
            if carried > LONGEST_LINE:
                raise line_too_long(base + line_end)
            buffer[:carried] = buffer[line_end:filled]
        if carried:
            buffer[carried] = ord("\n")
            yield array, carried + 1, self.bytes - carried

    def _read_into(self, view: memoryview) -> int:
        try:
            return self._text.readinto(view)  # type: ignore[attr-defined]
        except BROKEN as error:
            raise _damaged(error) from None

    def _check_text(self, buffer: bytearray, start: int, end: int) -> None:
        if self.bytes == 0:
            if buffer[:2] in UTF16_MARKS:
                raise GcodeError("The file is text in UTF-16. Save it as plain text (UTF-8 or ASCII).")
            if buffer[:3] == UTF8_MARK:
                buffer[:3] = b"   "
        if (at := buffer.find(0, start, end)) >= 0:
            raise GcodeError(
                f"Byte {self.bytes + at - start:,} of the job is NUL, so it is no plain text: UTF-16, a "
                "binary format, or damaged. Export the job as plain G-code, or copy it again."
            )


def line_too_long(byte: int) -> GcodeError:
    return GcodeError(
        f"The line that begins at byte {byte:,} is longer than {LONGEST_LINE // 2**10:,} KiB, which no line "
        "of G-code is. Check that this is a job file, with a line end after each command."
    )


@contextmanager
def open_source(path: Path, member: str = "") -> Iterator[JobSource]:
    """The job in a file. member: which one, for a container that holds several.

    Raises GcodeError for a file that cannot be read, is empty, or holds no job or several.
    """
    try:
        stored = path.open("rb")
    except OSError as error:
        raise GcodeError(f"{path.name} cannot be read: {error.strerror}.") from None
    with stored:
        start = stored.read(4)
        stored.seek(0)
        if not start:
            raise GcodeError("The file is empty. Export the job again.")
        if start[:2] == b"\x1f\x8b":
            with gzip.GzipFile(fileobj=stored) as text:
                yield JobSource(text, stored, "gzip")  # type: ignore[arg-type]
        elif start == b"PK\x03\x04":
            with _member_of(stored, member) as (text, name):
                yield JobSource(text, stored, "ZIP", name)
        else:
            yield JobSource(stored, stored, "plain")


@contextmanager
def _member_of(stored: IO[bytes], member: str) -> Iterator[tuple[IO[bytes], str]]:
    try:
        container = zipfile.ZipFile(_Bounded(stored))
    except BROKEN as error:
        raise _damaged(error) from None
    with container:
        names = sorted(n for n in container.namelist() if n.lower().endswith(ENDINGS))
        if not names:
            raise GcodeError(
                f"The container holds no G-code (no file that ends in {', '.join(ENDINGS)}). Export the job "
                "with its G-code, not the model alone."
            )
        if member and member not in names:
            raise GcodeError(f"The container holds no {member}. Choose one of: {', '.join(names[:20])}.")
        if not member and len(names) > 1:
            raise GcodeError(f"The container holds {len(names)} jobs. Choose one: {', '.join(names[:20])}.")
        name = member or names[0]
        try:
            text = container.open(name)
        except BROKEN as error:
            raise _damaged(error) from None
        with text:
            yield text, name


class _Bounded:
    """A file for the ZIP library, which reads a list of contents of any length in one go."""

    def __init__(self, file: IO[bytes]) -> None:
        self.seek, self.tell, self.seekable, self._file = file.seek, file.tell, file.seekable, file

    def read(self, count: int = -1) -> bytes:
        if count > MOST_LISTING:
            raise GcodeError("The container's list of contents is too long. Put the job alone into a file.")
        return self._file.read(min(count, MOST_LISTING) if count >= 0 else MOST_LISTING)


def _damaged(error: BaseException) -> GcodeError:
    reason = str(error).rstrip(".") or type(error).__name__
    return GcodeError(f"The packed file is damaged or locked ({reason}). Copy it again, or pack it again.")
