"""The guide to the columns of files, as a part of docs/neighbours/files.md."""

from maintenance.files.kinds import KINDS
from spools.files.columns import Column

BEGIN, END = "<!-- columns: written by ./run manage file_guide -->\n", "<!-- end of columns -->\n"


def insert_guide(page: str) -> str:
    """The page with the present columns between the two marks."""
    before, _begin, rest = page.partition(BEGIN)
    return before + BEGIN + write_guide() + END + rest.partition(END)[2]


def write_guide() -> str:
    """A table of the columns of each kind."""
    parts = []
    for kind in KINDS.values():
        rows = "\n".join(_write_row(column) for column in kind.columns)
        head = "| column | meaning | values | use |\n|---|---|---|---|"
        parts.append(f"\n### {kind.name}\n\n{kind.about}\n\n{head}\n{rows}\n")
    return "".join(parts) + "\n"


def _write_row(column: Column) -> str:
    choices = ", ".join(f"`{value}`" for value, _label in column.choices if value)
    use = "" if column.use == "optional" else str(column.use)
    return f"| `{column.name}` | {column.meaning} | {choices or column.kind} | {use} |"
