"""Readings from a CSV file: time, temperature_c, rh_pct, as loggers and spreadsheets write them."""

import csv
from collections.abc import Generator, Iterator, Sequence
from contextlib import closing
from datetime import datetime
from io import SEEK_END, TextIOWrapper
from itertools import chain
from typing import Any

from django.core.exceptions import ValidationError
from django.utils import timezone
from django.utils.translation import gettext as _

from spools import limits
from spools.checks import require_past_time, require_within
from spools.refusals import refusal

COLUMNS = ("time", "temperature_c", "rh_pct")
MAX_LINES = 200_000
MAX_BYTES = 10 * 2**20


def read_csv(file: Any) -> list[tuple[datetime, float, float]]:
    """The readings in an open file of bytes, read as a stream, as (aware time, °C, % RH).

    Times after ISO 8601, in the shop's zone when they carry none. Commas, semicolons or tabs between the
    columns; decimal commas where the columns are not parted by commas. Other columns are passed over.
    Raises ValidationError that names the line.
    """
    with closing(_lines(file)) as lines:
        first = next(lines, "")
        if not first.strip():
            raise refusal("file_empty", " ".join([_("The file is empty."), _name_columns()]))
        delimiter = max(";\t,", key=first.count)
        rows = [
            require_reading((at, temperature_c, rh_pct), _("Line {number}, ").format(number=number))
            for number, at, temperature_c, rh_pct in _parse(chain([first], lines), delimiter)
        ]
    if not rows:
        raise refusal("no_readings", _("The file has a header and no readings below it."))
    return rows


def require_reading(row: tuple, prefix: str = "") -> tuple[datetime, float, float]:
    """A row of (time, °C, % RH) when it can be true; ValidationError with ``prefix`` otherwise."""
    try:
        at, temperature_c, rh_pct = row
        return (
            require_past_time(at, field="time"),
            require_within("temperature_c", temperature_c, *limits.TEMPERATURE_C),
            require_within("rh_pct", rh_pct, *limits.RH_PCT),
        )
    except ValidationError as error:
        if not prefix:
            raise
        field, messages = next(iter(error.message_dict.items()))
        sentence = f"{prefix}{field}: {messages[0]} " + _("Nothing was stored.")
        raise refusal("impossible_reading", sentence) from None


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


def _name_columns(missing: Sequence[str] = ()) -> str:
    columns = ", ".join(COLUMNS)
    if not missing:
        return _("The first line must name the columns {columns}.").format(columns=columns)
    sentence = _("The first line must name the columns {columns}; missing: {missing}.")
    return sentence.format(columns=columns, missing=", ".join(missing))


def _not_text() -> ValidationError:
    return refusal("not_text", _("This is not a text file. Export the readings as CSV in UTF-8."))


def _parse(lines: Iterator[str], delimiter: str) -> Iterator[tuple[int, datetime, float, float]]:
    try:
        reader = csv.reader(lines, delimiter=delimiter, strict=True)
        names = [name.strip().lower() for name in next(reader)]
        missing = [column for column in COLUMNS if column not in names]
        if missing:
            raise refusal("column_missing", _name_columns(missing))
        places = [names.index(column) for column in COLUMNS]
        for cells in reader:
            number = reader.line_num
            if not any(cell.strip() for cell in cells):
                continue
            if len(cells) <= max(places):
                sentence = _("Line {number} has {count} columns. Complete it or take it out.")
                raise refusal("column_count", sentence.format(number=number, count=len(cells)))
            at, temperature_c, rh_pct = (cells[place].strip() for place in places)
            yield number, _time(at, number), _number(temperature_c, number), _number(rh_pct, number)
    except csv.Error as error:
        sentence = _("Line {number} is not CSV ({error}). Correct it.")
        raise refusal("not_csv", sentence.format(number=reader.line_num, error=error)) from None


def _time(text: str, number: int) -> datetime:
    try:
        at = datetime.fromisoformat(text)
        return timezone.make_aware(at) if timezone.is_naive(at) else at
    except (ValueError, OverflowError):
        sentence = _('Line {number}: "{text}" is not a time. Write it as 2026-01-31 08:00.')
        raise refusal("not_a_time", sentence.format(number=number, text=text[:40])) from None


def _number(text: str, number: int) -> float:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        sentence = _('Line {number}: "{text}" is not a number.')
        raise refusal("not_a_number", sentence.format(number=number, text=text[:40])) from None
