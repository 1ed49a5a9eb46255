"""Readings from a CSV file: time, temperature_c, rh_pct, as loggers and spreadsheets write them."""

from contextlib import closing
from datetime import datetime
from typing import Any

from django.core.exceptions import ValidationError
from django.utils import timezone
from django.utils.translation import gettext as _

from spools import limits
from spools.checks import require_past_time, require_within
from spools.edits.tables import read_table
from spools.refusals import refusal

COLUMNS = ("time", "temperature_c", "rh_pct")


def read_csv(file: Any) -> list[tuple[datetime, float, float]]:
    """The readings in an open file of bytes, read as a stream, as (aware time, °C, % RH).

    Times after ISO 8601, in the shop's zone when they carry none. Commas, semicolons or tabs between the
    columns; decimal commas where the columns are not parted by commas. Other columns are passed over.
    Raises ValidationError that names the line.
    """
    with closing(read_table(file, COLUMNS)) as table:
        rows = [
            require_reading(_read_cells(number, cells), _("Line {number}, ").format(number=number))
            for number, cells in table
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


def _read_cells(number: int, cells: dict[str, str]) -> tuple[datetime, float, float]:
    at, temperature_c, rh_pct = (cells[column] for column in COLUMNS)
    return read_time(at, number), read_number(temperature_c, number), read_number(rh_pct, number)


def read_time(text: str, number: int) -> datetime:
    try:
        at = datetime.fromisoformat(text)
        return timezone.make_aware(at) if timezone.is_naive(at) else at
    except (ValueError, OverflowError):
        sentence = _('Line {number}: "{text}" is not a time. Write it as 2026-01-31 08:00.')
        raise refusal("not_a_time", sentence.format(number=number, text=text[:40])) from None


def read_number(text: str, number: int) -> float:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        sentence = _('Line {number}: "{text}" is not a number.')
        raise refusal("not_a_number", sentence.format(number=number, text=text[:40])) from None
