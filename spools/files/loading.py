"""What a file would change in the shop, and the storing of just that: all of it or nothing."""

import hashlib
import json
from collections import Counter
from collections.abc import Generator, Iterable, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils.translation import gettext as _

from spools.files.columns import Use, show_value, write_value
from spools.files.kinds import FileKind, Key, Line, Stored, Values, require_needed
from spools.refusals import refusal

MOST_FAULTS = 100
MOST_LINES = 50_000
NEW, CHANGED, SAME = "new", "changed", "same"
Fault = tuple[int, str, str]
Row = tuple[Line, Values]


class FileRefused(ValidationError):
    """Lines of a file cannot be. faults: (line, column or "", sentence) of each, the first hundred."""

    def __init__(self, faults: list[Fault]) -> None:
        self.faults = sorted(faults, key=lambda fault: fault[0])
        super().__init__(
            {
                ".".join(filter(None, ["lines", str(line), column])): ValidationError(sentence, code="line")
                for line, column, sentence in self.faults
            }
        )


class ShopChanged(ValidationError):
    """The file would change other things now than were shown. outcome: what it would change now."""

    def __init__(self, outcome: "Outcome") -> None:
        self.outcome = outcome
        super().__init__(
            _("The shop changed meanwhile. Look through the list of changes again, then store it."),
            code="changed_meanwhile",
        )


@dataclass
class Change:
    """What a line does. differences: (column, before, after) as texts, of a changed row."""

    line: int
    result: str
    label: str
    differences: list[tuple[str, str, str]] = field(default_factory=list)
    assumed: list[str] = field(default_factory=list)
    note: str = ""
    row: Any = None
    has_code: bool = False


@dataclass
class Outcome:
    """What a file changes, in the order of its lines. ignored: names of columns that its kind does not have.

    is_stored: or it was only looked through.
    """

    changes: list[Change]
    ignored: list[str] = field(default_factory=list)
    is_stored: bool = False

    @cached_property
    def counts(self) -> dict[str, int]:
        found = Counter(change.result for change in self.changes)
        return {result: found[result] for result in (NEW, CHANGED, SAME)}

    @cached_property
    def digest(self) -> str:
        """The same while the same file would do the same."""
        shown = [(c.line, c.result, c.label, c.differences, c.assumed, c.note) for c in self.changes]
        return hashlib.sha256(json.dumps(shown).encode()).hexdigest()[:32]


class _LookedThrough(Exception):
    """Ends the transaction of a file that is only looked through."""


def load_file(
    kind: FileKind, lines: Generator[Line, None, None], *, preview: bool = False, expected: str = ""
) -> Outcome:
    """Adds and changes what the lines of a file state, by the acts of its kind, in one transaction.

    preview: all of it is done, and taken back, so that it finds what storing finds. expected: the digest of the outcome that
    somebody agreed to. Raises FileRefused with the faults of all lines, ShopChanged where the outcome is another than
    the expected one; nothing is stored then.
    """
    loader = _Loader(kind)
    with closing(lines):
        rows = loader.read(lines)
    if not rows and not loader.faults:
        raise refusal("no_rows", _("The file has column names and no rows below them."))
    outcome = Outcome([], sorted(loader.unknown)[:20])
    try:
        with transaction.atomic():
            loader.apply(rows)
            if loader.faults:
                raise FileRefused(loader.faults)
            outcome.changes = sorted(loader.changes, key=lambda change: change.line)
            if expected and expected != outcome.digest and not preview:
                raise ShopChanged(outcome)
            if preview:
                raise _LookedThrough
    except _LookedThrough:
        return outcome
    except _TooManyChanges as error:
        raise refusal("too_many_changes", str(error)) from None
    outcome.is_stored = True
    return outcome


class _TooManyFaults(Exception):
    """Ends the reading of a file of which nothing will be stored."""


class _TooManyChanges(Exception):
    """A file that would hold up the shop for too long."""


class _Index:
    """The stored rows by their keys: as they are, and in any case of letters where only one is so."""

    def __init__(self, kind: FileKind, stored: Iterable[Stored]) -> None:
        self.kind = kind
        self.exact: dict[Key, Stored] = {}
        self.alike: dict[Key, list[Stored]] = {}
        for row in stored:
            self.exact[kind.key_of(row.values, exact=True)] = row
            self.alike.setdefault(kind.key_of(row.values), []).append(row)

    def find(self, values: Values) -> Stored | None:
        """The row that a line means. Refused: several that differ by the case of letters alone."""
        found = self.exact.get(self.kind.key_of(values, exact=True))
        alike = self.alike.get(self.kind.key_of(values), [])
        if found is None and len(alike) > 1:
            sentence = _("Several rows have this name but for the case of letters. Write it as one of them.")
            raise refusal("several_rows", sentence, self.kind.key_columns()[0])
        return found or next(iter(alike), None)


class _Loader:
    """Reads and applies line after line. faults: of all lines so far; then nothing is stored."""

    def __init__(self, kind: FileKind) -> None:
        self.kind = kind
        self.faults: list[Fault] = []
        self.changes: list[Change] = []
        self.stored = 0
        self.unknown: set[str] = set()

    def read(self, lines: Iterable[Line]) -> list[Row]:
        """The values of each line; lines with a fault are left out."""
        rows: list[Row] = []
        known = {column.name for column in self.kind.columns}
        for count, line in enumerate(lines, 1):
            if count > MOST_LINES:
                sentence = _("The file has more than {count} rows. Split it.")
                raise refusal("too_many_rows", sentence.format(count=MOST_LINES))
            self.unknown |= line.cells.keys() - known
            values = self._read_cells(line)
            if values is not None:
                rows.append((line, values))
            if len(self.faults) >= MOST_FAULTS:
                raise FileRefused(self.faults)
        return rows

    def _read_cells(self, line: Line) -> Values | None:
        values: Values = {}
        is_right = True
        for column in self.kind.columns:
            cell = line.cells.get(column.name, "")
            if not cell or not column.is_read:
                continue
            try:
                values[column.name] = self.kind.find_name(column.name, column.read(column, cell))
            except ValidationError as error:
                self._add_fault(line, error)
                is_right = False
        if not is_right:
            return None
        try:
            return self.kind.resolve(values)
        except ValidationError as error:
            self._add_fault(line, error)
            return None

    def apply(self, rows: Sequence[Row]) -> None:
        """Compares each row with the stored one, and adds or changes it."""
        stored = _Index(self.kind, self.kind.find_stored([values for _line, values in rows]))
        seen: dict[Key, int] = {}
        new: dict[Any, list[Row]] = {}
        try:
            for line, values in self.kind.sort(list(rows)):
                found, key = None, self.kind.key_of(values, exact=self.kind.keys_are_found)
                with self._catch(line):
                    found = stored.find(values)
                    if found is not None:
                        key = self.kind.key_of(found.values, exact=True)
                    if key and seen.setdefault(key, line.number) != line.number:
                        sentence = _("It is the same row as in line {number}. Take one of them out.")
                        first = self.kind.key_columns()[0]
                        raise refusal("same_row", sentence.format(number=seen[key]), first)
                    if found is not None:
                        self._compare(line, values, found)
                    elif (group := self.kind.group_of(values)) is not None:
                        new.setdefault(group, []).append((line, values))
                    else:
                        self._add([(line, values)])
            for group_rows in new.values():
                self._add(group_rows)
        except _TooManyFaults:
            pass

    def _compare(self, line: Line, values: Values, stored: Stored) -> None:
        compared = [
            column.name for column in self.kind.columns if column.is_complete and column.use != Use.KEY
        ]
        different = {
            name: values[name]
            for name in compared
            if name in values and write_value(values[name]) != write_value(stored.values.get(name))
        }
        label = self.kind.label(stored.values)
        if not different:
            self.changes.append(Change(line.number, SAME, label))
            return
        texts = [
            (name, show_value(stored.values.get(name)), show_value(value))
            for name, value in different.items()
        ]
        with self._catch(line):
            self.kind.change(stored, different)
            self._store(Change(line.number, CHANGED, label, texts, row=stored.row))

    def _add(self, rows: Sequence[Row]) -> None:
        with self._catch(rows[0][0]):
            for _line, values in rows:
                require_needed(self.kind, values)
            added = self.kind.add_together([values for _line, values in rows])
            for (line, values), each in zip(rows, added, strict=True):
                result = NEW if each.is_new else SAME
                label = self.kind.label(values)
                has_code = bool(values.get("code"))
                change = Change(
                    line.number,
                    result,
                    label,
                    assumed=each.assumed,
                    note=each.note,
                    row=each.row,
                    has_code=has_code,
                )
                self._store(change)

    def _store(self, change: Change) -> None:
        """Refused: more changes in one file than its kind may make."""
        self.changes.append(change)
        self.stored += change.result != SAME
        if self.stored > self.kind.most_changes:
            sentence = _("The file makes more than {count} changes. Split it.")
            raise _TooManyChanges(sentence.format(count=self.kind.most_changes))

    @contextmanager
    def _catch(self, line: Line) -> Iterator[None]:
        """A savepoint around a line: what it is refused for is a fault of that line."""
        try:
            with transaction.atomic():
                yield
        except ValidationError as error:
            self._add_fault(line, error)
        if len(self.faults) >= MOST_FAULTS:
            raise _TooManyFaults

    def _add_fault(self, line: Line, error: ValidationError) -> None:
        by_field = error.message_dict if hasattr(error, "error_dict") else {"": error.messages}
        for name, sentences in by_field.items():
            name = self.kind.renamed.get(name, name)
            column = name if self.kind.column(name) is not None else ""
            self.faults.append((line.number, column, " ".join(sentences)))
