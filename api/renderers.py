"""Lists as CSV, for a spreadsheet."""

import csv
import json
from io import StringIO
from typing import Any

from rest_framework.renderers import BaseRenderer, JSONRenderer

from spools.edits.tables import guard_formula


class CsvRenderer(BaseRenderer):
    """A row for each entry of a list, a column for each field; of a field with fields "name.field"."""

    media_type = "text/csv"
    format = "csv"
    charset = "utf-8"

    def render(self, data: Any, media_type: str | None = None, context: Any = None) -> bytes:
        rows = [flatten(row) for row in list_rows(data)]
        columns = list(dict.fromkeys(name for row in rows for name in row))
        text = StringIO()
        writer = csv.DictWriter(text, columns)
        writer.writeheader()
        writer.writerows(rows)
        return text.getvalue().encode()


def list_rows(data: Any) -> list[Any]:
    """The entries of a page, of a list or of a refusal."""
    rows = data.get("results", data.get("errors", [data])) if isinstance(data, dict) else data
    return list(rows or [])


def flatten(row: dict[str, Any], prefix: str = "") -> dict[str, Any]:
    """One level of names; lists as JSON."""
    cells: dict[str, Any] = {}
    for name, value in row.items():
        if isinstance(value, dict):
            cells |= flatten(value, f"{prefix}{name}.")
        elif isinstance(value, list):
            cells[prefix + name] = JSONRenderer().render(value).decode() if value else ""
        elif isinstance(value, str):
            cells[prefix + name] = guard_formula(value)
        elif isinstance(value, bool):
            cells[prefix + name] = json.dumps(value)
        else:
            cells[prefix + name] = value
    return cells
