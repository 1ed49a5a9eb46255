"""Files as CSV and JSON: written row by row, read as lines of text."""

import csv
import json
from collections.abc import Generator, Iterator, Mapping
from contextlib import closing
from io import SEEK_END, StringIO
from typing import Any

from django.core.exceptions import ValidationError
from django.utils.translation import gettext as _

from spools.edits.tables import MAX_BYTES, guard_formula, read_table, unguard_formula
from spools.files.columns import Use, show_value, write_value
from spools.files.kinds import FileKind, Line
from spools.refusals import refusal

BOM = "\ufeff"
# Text that is sent at once.
CHUNK_ROWS = 500


def write_csv(kind: FileKind, *, for_spreadsheet: bool = False) -> Iterator[str]:
    """The rows of the shop with column names above; a decimal point, times in UTC. for_spreadsheet: with a byte order mark."""
    columns = [column for column in kind.columns if column.use != Use.READ]
    out = StringIO()
    out.write(BOM if for_spreadsheet else "")
    writer = csv.writer(out)
    writer.writerow([column.name for column in columns])
    for number, stored in enumerate(kind.rows(), 1):
        cells = ((column, stored.values.get(column.name)) for column in columns)
        writer.writerow(
            [guard_formula(show_value(v)) if isinstance(v, str) else show_value(v) for _column, v in cells]
        )
        if number % CHUNK_ROWS == 0:
            yield out.getvalue()
            out.seek(0)
            out.truncate()
    yield out.getvalue()


def write_json(kind: FileKind) -> Iterator[str]:
    """An object with the kind and its rows, each an object of its columns; null where there is nothing."""
    columns = [column.name for column in kind.columns if column.use != Use.READ]
    yield json.dumps({"kind": kind.name, "rows": []})[:-2]
    before, rows = "\n", []
    for stored in kind.rows():
        row = {name: write_value(stored.values.get(name)) for name in columns}
        rows.append(json.dumps(row, ensure_ascii=False, allow_nan=False))
        if len(rows) == CHUNK_ROWS:
            yield before + ",\n".join(rows)
            before, rows = ",\n", []
    yield (before + ",\n".join(rows) if rows else "") + "\n]}\n"


def read_file(kind: FileKind, file: Any) -> Generator[Line, None, None]:
    """The lines of an open file of bytes, of either format: JSON begins with a brace or a bracket.

    Refused as a whole: no text, a file too large, no CSV or JSON, no name of a column that is known, a column twice.
    """
    start = file.read(1000)
    file.seek(0)
    if start.removeprefix(BOM.encode()).lstrip()[:1] in (b"{", b"["):
        return _read_json(kind, file)
    return _read_csv(kind, file)


def _headings(kind: FileKind) -> dict[str, str]:
    """The columns by their names in the active language, too."""
    names = [column.name for column in kind.columns]
    return {_(name).lower(): name for name in names} | {name: name for name in names}


def _read_csv(kind: FileKind, file: Any) -> Generator[Line, None, None]:
    with closing(read_table(file, [], _headings(kind), once=[c.name for c in kind.columns])) as table:
        is_first = True
        for number, cells in table:
            if is_first:
                _require_known(kind, cells)
                is_first = False
            yield Line(number, {name: unguard_formula(cell) for name, cell in cells.items()})


def _require_known(kind: FileKind, cells: Mapping[str, str]) -> None:
    needed = {column.name for column in kind.columns if column.use in (Use.NEEDED, Use.KEY)}
    if not needed & cells.keys():
        names = ", ".join(column.name for column in kind.columns if column.name in needed)
        sentence = _("The first line must name the columns. These are needed: {columns}.")
        raise refusal("column_missing", sentence.format(columns=names))


def _read_json(kind: FileKind, file: Any) -> Generator[Line, None, None]:
    if file.seek(0, SEEK_END) > MAX_BYTES:
        sentence = _("The file is larger than {size} MiB. Split it.").format(size=MAX_BYTES // 2**20)
        raise refusal("file_too_large", sentence, "file")
    file.seek(0)
    try:
        data = json.loads(
            file.read().decode("utf-8-sig"),
            parse_constant=_refuse_constant,
            object_pairs_hook=_require_once,
            parse_int=str,
            parse_float=str,
        )
    except UnicodeDecodeError:
        sentence = _("This is not a text file. Export it as CSV or JSON in UTF-8.")
        raise refusal("not_text", sentence) from None
    except (ValueError, RecursionError):
        raise refusal("not_json", _("This is not JSON. Correct it, or send CSV.")) from None
    if isinstance(data, dict) and data.get("kind", kind.name) != kind.name:
        sentence = _("This file is of another kind. Send it to its own page or address.")
        raise refusal("other_kind", sentence)
    rows = data.get("rows") if isinstance(data, dict) else data
    if not isinstance(rows, list):
        sentence = _("Send a list of rows, or an object with the list “rows”.")
        raise refusal("rows_missing", sentence)
    return _read_rows(kind, rows)


def _read_rows(kind: FileKind, rows: list[Any]) -> Generator[Line, None, None]:
    known = {column.name for column in kind.columns}
    for number, row in enumerate(rows, 1):
        if not isinstance(row, dict):
            sentence = _("Row {number} is no object with columns. Correct it or take it out.")
            raise refusal("not_a_row", sentence.format(number=number))
        cells = {name: _as_text(number, name, value) if name in known else "" for name, value in row.items()}
        yield Line(number, cells)


def _as_text(number: int, column: str, value: Any) -> str:
    """A value of JSON as a cell. Refused: lists and objects, and text that no database stores."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return show_value(value)
    if isinstance(value, str) and "\0" not in value and _is_unicode(value):
        return value.strip()
    sentence = _("Row {number}, {column}: give a text, a number, true, false or null.")
    raise refusal("not_a_cell", sentence.format(number=number, column=column))


def _is_unicode(text: str) -> bool:
    """Without halves of characters."""
    return not any("\ud800" <= character <= "\udfff" for character in text)


def _refuse_constant(name: str) -> Any:
    raise ValueError(name)


def _require_once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    names = dict(pairs)
    if len(names) < len(pairs):
        raise ValidationError(_("A row names a column twice. Take one of them out."), code="column_twice")
    return names
