"""A kind of file: its columns, the rows of the shop in it, and the acts by which a file adds and edits them."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, ClassVar, NamedTuple

from django.db.models import Model, QuerySet
from django.utils.translation import gettext as _

from spools.files.columns import Column, Use, show_value
from spools.refusals import refusal

Values = dict[str, Any]
Key = tuple[str, ...]


class Line(NamedTuple):
    """A row of a file as text, by the names of its columns, known and unknown ones."""

    number: int
    cells: Mapping[str, str]


class Stored(NamedTuple):
    """A row of the shop: what an act needs of it, and its values by column."""

    row: Any
    values: Values


@dataclass
class Added:
    """What came of a new row. assumed: the columns that were guessed; note: a sentence; is_new: it was not there."""

    row: Any = None
    assumed: list[str] = field(default_factory=list)
    note: str = ""
    is_new: bool = True


class FileKind:
    """One kind of file, for one writing or reading of it.

    name: in addresses. most_changes: in one file. renamed: the column of an input that an act names otherwise.
    keys_are_found: the names in its keys are those of other rows, as stored.
    """

    name: ClassVar[str]
    title: ClassVar[str]
    about: ClassVar[str]
    columns: ClassVar[tuple[Column, ...]]
    most_changes: ClassVar[int] = 2000
    keys_are_found: ClassVar[bool] = False
    renamed: ClassVar[Mapping[str, str]] = {}

    def __init__(self, *, by: Any = None, place: Any = None) -> None:
        self.by, self.place = by, place

    def rows(self) -> Iterator[Stored]:
        """All rows of the shop, in the order of the file."""
        raise NotImplementedError

    def find_stored(self, lines: Iterable[Values]) -> Iterable[Stored]:
        """The rows that the lines of a file may mean."""
        return self.rows()

    def find_name(self, column: str, value: Any) -> Any:
        """The value of a cell, a name as the shop has it. Refused: a name that it has not."""
        return value

    def resolve(self, values: Values) -> Values:
        """The values of a line, with what they rest on together. Refused: a line that names no row."""
        return values

    def sort(self, lines: list[tuple[Line, Values]]) -> list[tuple[Line, Values]]:
        """The lines in an order in which each finds what it names."""
        return lines

    def group_of(self, values: Values) -> Any:
        """What new rows have in common that are added together; None: each by itself."""
        return None

    def add_together(self, rows: Sequence[Values]) -> list[Added]:
        """Stores the new rows of a group."""
        return [self.add(values) for values in rows]

    def add(self, values: Values) -> Added:
        """Stores a new row by its act; values: of the cells that are not empty."""
        raise NotImplementedError

    def change(self, stored: Stored, values: Values) -> None:
        """Stores other values of a row by its acts. Refused, by the column: what no act changes."""
        raise NotImplementedError

    def label(self, values: Values) -> str:
        """A row in the list of changes."""
        return ", ".join(filter(None, (show_value(values.get(name)) for name in self.key_columns())))

    @classmethod
    def key_of(cls, values: Values, *, exact: bool = False) -> Key:
        """What names a row; exact: with the case of its letters. Empty where nothing of it is given."""
        key = tuple(_as_key(values.get(name), exact) for name in cls.key_columns())
        return key if any(key) else ()

    @classmethod
    def key_columns(cls) -> list[str]:
        return [column.name for column in cls.columns if column.use == Use.KEY]

    @classmethod
    def column(cls, name: str) -> Column | None:
        return next((column for column in cls.columns if column.name == name), None)


def _as_key(value: Any, exact: bool) -> str:
    text = " ".join(show_value(value).split())
    return text if exact else text.casefold()


def refuse_change(column: str, sentence: str) -> Exception:
    """A change of a fact for which there is no act."""
    return refusal("no_act", sentence, column)


class ModelKind(FileKind):
    """Rows of one model that people edit: its columns are fields, but for those that are handled by name."""

    model: ClassVar[type[Model]]
    related: ClassVar[tuple[str, ...]] = ()

    def query(self) -> QuerySet[Any]:
        return self.model._default_manager.select_related(*self.related).order_by("pk")

    def rows(self) -> Iterator[Stored]:
        for row in self.query():
            yield Stored(row, self.values_of(row))

    def values_of(self, row: Any) -> Values:
        fields = {field.name for field in self.model._meta.concrete_fields}
        return {column.name: getattr(row, column.name) for column in self.columns if column.name in fields}

    def set_fields(self, row: Any, values: Values) -> None:
        """Refused: a whole number that is none."""
        fields = {field.name: field for field in self.model._meta.concrete_fields}
        for name, value in values.items():
            if name not in fields:
                continue
            if "Integer" in fields[name].get_internal_type():
                value = require_whole(name, value)
            setattr(row, name, value)


def require_whole(column: str, value: float) -> int:
    if value != int(value):
        raise refusal("not_whole", _("Give a whole number."), column)
    return int(value)


def require_keys(kind: FileKind, values: Values, *names: str) -> None:
    """Refused, by the column: a row without what names it. names: only some of its keys."""
    for name in names or kind.key_columns():
        if not values.get(name):
            raise refusal("missing", _("A row needs {column}.").format(column=name), name)


def require_needed(kind: FileKind, values: Values) -> None:
    """Refused, by the column: a new row without what it needs."""
    for column in kind.columns:
        if column.use == Use.NEEDED and column.name not in values:
            raise refusal("missing", _("A new row needs {column}.").format(column=column.name), column.name)
