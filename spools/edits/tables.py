"""Tables of text: CSV files of loggers and spreadsheets, and what is pasted from a spreadsheet, read as a stream."""

import csv
import re
from collections.abc import Collection, Generator, Iterator, Mapping, Sequence
from contextlib import closing
from io import SEEK_END, TextIOWrapper
from itertools import chain
from typing import Any

from django.core.exceptions import ValidationError
from django.utils.translation import gettext as _

from spools.refusals import refusal

MAX_LINES = 200_000
# 1,000 is a thousand to some and one to others.
THOUSANDS_OR_DECIMALS = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}")
MAX_BYTES = 10 * 2**20
Row = tuple[int, dict[str, str]]
# A text that begins like this would be computed by a spreadsheet (OWASP, CSV injection).
FORMULA = ("=", "+", "-", "@", "\t", "\r")


def guard_formula(text: str) -> str:
    """A text as a cell: with an apostrophe before what a spreadsheet would compute, and before what looks so guarded."""
    return f"'{text}" if text.lstrip("'").startswith(FORMULA) else text


def unguard_formula(cell: str) -> str:
    """The text of a cell that guard_formula wrote."""
    return cell[1:] if cell.startswith("'") and cell.lstrip("'").startswith(FORMULA) else cell


def read_table(
    file: Any, needed: Sequence[str], others: Mapping[str, str] | None = None, once: Collection[str] = ()
) -> Generator[Row, None, None]:
    """(number of the line, cells by column) of the rows of an open file of bytes; empty rows are passed over.

    Commas, semicolons or tabs part the columns; the first line names them, in any case and order. needed: columns
    that must be there; others: names by other headings of the same; once: those that may not be there twice. Headings
    that nobody knows are passed over, cells that are missing at the end of a row are empty. Refused, with the line:
    no text, a file too large, no header, a row that ends before a needed column.
    """
    with closing(_lines(file)) as lines:
        first = next(lines, "")
        if not first.strip():
            raise refusal("file_empty", " ".join([_("The file is empty."), _name_columns(needed)]))
        yield from _parse(chain([first], lines), max(";\t,", key=first.count), needed, others or {}, once)


def _lines(file: Any) -> Generator[str, None, None]:
    """The lines of a file of text, one after the other."""
    stored = getattr(file, "file", file)
    if stored.seek(0, SEEK_END) > MAX_BYTES:
        raise refusal(
            "file_too_large",
            _("The file is larger than {size} MiB. Split it.").format(size=MAX_BYTES // 2**20),
            "file",
        )
    stored.seek(0)
    text = TextIOWrapper(stored, "utf-8-sig")
    try:
        for number, line in enumerate(text, 1):
            if number > MAX_LINES:
                sentence = _("The file has more than {count} lines. Split it.").format(count=MAX_LINES)
                raise refusal("file_too_long", sentence)
            if "\0" in line:
                raise _not_text()
            yield line
    except UnicodeDecodeError:
        raise _not_text() from None
    finally:
        # The file stays open for whoever opened it.
        text.detach()


def _name_columns(needed: Sequence[str], missing: Sequence[str] = ()) -> str:
    columns = ", ".join(needed)
    if not missing:
        return _("The first line must name the columns {columns}.").format(columns=columns)
    sentence = _("The first line must name the columns {columns}; missing: {missing}.")
    return sentence.format(columns=columns, missing=", ".join(missing))


def _not_text() -> ValidationError:
    return refusal("not_text", _("This is not a text file. Export it as CSV in UTF-8."))


def _parse(
    lines: Iterator[str],
    delimiter: str,
    needed: Sequence[str],
    others: Mapping[str, str],
    once: Collection[str],
) -> Iterator[Row]:
    try:
        reader = csv.reader(lines, delimiter=delimiter, strict=True)
        headings = [name.strip().lower() for name in next(reader)]
        names = [others.get(heading, heading) for heading in headings]
        missing = [column for column in needed if column not in names]
        if missing:
            raise refusal("column_missing", _name_columns(needed, missing))
        if twice := sorted({name for name in names if name in once and names.count(name) > 1}):
            sentence = _("The first line names these columns twice: {columns}. Take one of each out.")
            raise refusal("column_twice", sentence.format(columns=", ".join(twice)))
        last = max((names.index(column) for column in needed), default=0)
        for cells in reader:
            number = reader.line_num
            if not any(cell.strip() for cell in cells):
                continue
            if len(cells) <= last:
                sentence = _("Line {number} has {count} columns. Complete it or take it out.")
                raise refusal("column_count", sentence.format(number=number, count=len(cells)))
            # The first of two columns with one name counts.
            pairs = [*zip(names, cells, strict=False)]
            yield number, {name: cell.strip() for name, cell in reversed(pairs)}
    except csv.Error as error:
        sentence = _("Line {number} is not CSV ({error}). Correct it.")
        raise refusal("not_csv", sentence.format(number=reader.line_num, error=error)) from None
