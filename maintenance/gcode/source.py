"""A job file as chunks of whole lines: plain, packed with gzip, or inside a ZIP container such as 3MF.

Everything is checked while it is read, so neither a packed bomb nor a line without end takes memory.
"""

import gzip
import os
import struct
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
# The names that a refusal lists, and the letters of each.
MOST_NAMES, MOST_LETTERS = 20, 200
ENDINGS = (".gcode", ".gco", ".g", ".nc")
UTF8_MARK = b"\xef\xbb\xbf"
UTF16_MARKS = (b"\xff\xfe", b"\xfe\xff")
# Members that are unpacked a bounded piece at a time; Python's ZIP library bounds no other packing.
PACKINGS = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)
# All that the libraries raise for damaged bytes.
BROKEN = (
    ArithmeticError,
    EOFError,
    LookupError,
    OSError,
    RuntimeError,
    ValueError,
    struct.error,
    zlib.error,
    zipfile.BadZipFile,
)


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
                raise GcodeError("job_too_long", most_gib=MOST_BYTES // 2**30)
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
                raise GcodeError("utf16")
            if buffer[:3] == UTF8_MARK:
                buffer[:3] = b"   "
        if (at := buffer.find(0, start, end)) >= 0:
            raise GcodeError("nul", byte=self.bytes + at - start)


def line_too_long(byte: int) -> GcodeError:
    return GcodeError("line_too_long", byte=byte, most_kib=LONGEST_LINE // 2**10)


@contextmanager
def open_source(path: Path, member: str = "") -> Iterator[JobSource]:
    """The job in a file. member: which one, for a container that holds several.

    Raises GcodeError for a file that cannot be read, is empty, or holds no job or several.
    """
    try:
        stored = path.open("rb")
    except OSError as error:
        raise GcodeError("not_opened", name=path.name, reason=str(error.strerror)) from None
    with stored:
        start = stored.read(4)
        stored.seek(0)
        if not start:
            raise GcodeError("empty")
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
            raise GcodeError("no_gcode_inside", endings=", ".join(ENDINGS))
        if member and member not in names:
            raise GcodeError("no_such_member", member=_cut(member), names=_list(names))
        if not member and len(names) > 1:
            raise GcodeError("several_inside", jobs=len(names), names=_list(names))
        name = member or names[0]
        if container.getinfo(name).compress_type not in PACKINGS:
            raise GcodeError("other_packing", member=_cut(name))
        try:
            text = container.open(name)
        except BROKEN as error:
            raise _damaged(error) from None
        with text:
            yield text, name


def _list(names: list[str]) -> str:
    return ", ".join(_cut(name) for name in names[:MOST_NAMES])


def _cut(text: str) -> str:
    """A name in a container may have 65,535 letters."""
    return text if len(text) <= MOST_LETTERS else f"{text[:MOST_LETTERS]}…"


class _Bounded:
    """A file for the ZIP library, which reads a list of contents of any length in one go."""

    def __init__(self, file: IO[bytes]) -> None:
        self.seek, self.tell, self.seekable, self._file = file.seek, file.tell, file.seekable, file

    def read(self, count: int = -1) -> bytes:
        if count > MOST_LISTING:
            raise GcodeError("long_listing")
        return self._file.read(min(count, MOST_LISTING) if count >= 0 else MOST_LISTING)


def _damaged(error: BaseException) -> GcodeError:
    reason = str(error).rstrip(".") or type(error).__name__
    return GcodeError("damaged", reason=_cut(reason))
