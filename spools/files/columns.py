"""The columns of a file: the meaning of each, how its cells are read and written."""

import math
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from decimal import Decimal
from difflib import get_close_matches
from enum import StrEnum
from typing import Any

from django.core.exceptions import ValidationError
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_noop

from spools import codes
from spools.edits.tables import THOUSANDS_OR_DECIMALS
from spools.refusals import refusal

Read = Callable[["Column", str], Any]
YES, NO = gettext_noop("yes"), gettext_noop("no")


class Use(StrEnum):
    """KEY: it names the row. NEEDED: a new row must have it. READ: only read, WRITTEN: only written."""

    KEY = "key"
    NEEDED = "needed"
    OPTIONAL = "optional"
    READ = "read only"
    WRITTEN = "written only"


@dataclass(frozen=True)
class Column:
    """meaning: a marked English text. kind: of its values, for the guide. longest: of a text, in characters."""

    name: str
    meaning: str
    read: Read
    kind: str
    use: Use = Use.OPTIONAL
    choices: tuple[tuple[str, Any], ...] = ()
    longest: int = 300

    @property
    def is_read(self) -> bool:
        return self.use != Use.WRITTEN

    @property
    def is_complete(self) -> bool:
        """Whether what is written is read again as it was."""
        return self.use not in (Use.READ, Use.WRITTEN)


def text(name: str, meaning: str, use: Use = Use.OPTIONAL, longest: int = 300) -> Column:
    return Column(name, meaning, _read_text, "text", use, longest=longest)


def number(name: str, meaning: str, use: Use = Use.OPTIONAL) -> Column:
    """Its unit is the end of its name."""
    return Column(name, meaning, _read_number, "number", use)


def money(name: str, meaning: str, use: Use = Use.OPTIONAL) -> Column:
    return Column(name, meaning, _read_money, "money", use)


def moment(name: str, meaning: str, use: Use = Use.OPTIONAL) -> Column:
    return Column(name, meaning, _read_moment, "time", use)


def flag(name: str, meaning: str, use: Use = Use.OPTIONAL) -> Column:
    return Column(name, meaning, _read_flag, "true or false", use)


def choice(name: str, meaning: str, choices: Iterable[tuple[str, Any]], use: Use = Use.OPTIONAL) -> Column:
    return Column(name, meaning, _read_choice, "one of", use, tuple(choices))


def spool_code(name: str, meaning: str, use: Use = Use.OPTIONAL) -> Column:
    return Column(name, meaning, _read_code, "code", use)


def moment_or_sealed(name: str, meaning: str) -> Column:
    return Column(name, meaning, _read_opened, "time, or sealed")


SEALED = gettext_noop("sealed")
# Before a name as it is; no simplified name begins so.
EXACT = "="
# Names of columns that people write at the head of a list; the names in the active language are read, too.
HEADINGS = (
    gettext_noop("amount_g"),
    gettext_noop("batch"),
    gettext_noop("code"),
    gettext_noop("colour"),
    gettext_noop("diameter_mm"),
    gettext_noop("filler"),
    gettext_noop("filler_pct"),
    gettext_noop("hours"),
    gettext_noop("kind"),
    gettext_noop("maker"),
    gettext_noop("mass_g"),
    gettext_noop("material"),
    gettext_noop("name"),
    gettext_noop("opened_on"),
    gettext_noop("place"),
    gettext_noop("price"),
    gettext_noop("printer"),
    gettext_noop("product"),
    gettext_noop("project"),
    gettext_noop("received_on"),
    gettext_noop("reel"),
    gettext_noop("role"),
    gettext_noop("room"),
    gettext_noop("spool"),
    gettext_noop("start"),
    gettext_noop("time"),
    gettext_noop("toolhead"),
)


def write_value(value: Any) -> str | float | bool | None:
    """A value as a cell: a number, a truth, a text, or nothing."""
    if value is None or value == "":
        return None
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat().replace("+00:00", "Z")
    if isinstance(value, Decimal):
        return f"{value:.2f}"
    return value.strip() if isinstance(value, str) else value


def show_value(value: Any) -> str:
    """A value as a text, as in a file."""
    cell = write_value(value)
    if isinstance(cell, bool):
        return "true" if cell else "false"
    if isinstance(cell, float) and cell.is_integer() and abs(cell) < 1e15:
        return str(int(cell))
    return "" if cell is None else str(cell)


def simplify(name: str) -> str:
    """A name as it is compared: without case, spaces, dashes and the like."""
    return "".join(character for character in name.casefold() if character.isalnum() or character in "/+")


def find_named(rows: dict[str, Any], column: str, wanted: str, *, own_names: bool = False) -> Any:
    """The row with this name in any case; None for no name. Refused: a name that nothing has; near ones are offered.

    rows: as by_name gives them. own_names: the shop gave them, and adds others.
    """
    if not wanted:
        return None
    found = rows.get(EXACT + wanted) or rows.get(simplify(wanted))
    if found is not None:
        return found
    names = {plain: str(row) if own_names else _(str(row)) for plain, row in rows.items()}
    near = dict.fromkeys(names[plain] for plain in get_close_matches(simplify(wanted), rows, 3, 0.5))
    if near:
        sentence = _("“{text}” is not known here. Is one of these meant: {near}?")
    elif own_names:
        sentence = _("“{text}” is not known here. Add it first, or correct the name.")
    else:
        sentence = _("“{text}” is not known here. Known: {all}.")
    known = ", ".join(dict.fromkeys(names.values()))
    shown = {"text": wanted[:40], "near": ", ".join(near), "all": known[:500]}
    raise refusal("unknown_name", sentence.format(**shown), column)


def by_name(rows: Iterable[Any]) -> dict[str, Any]:
    """Rows of the catalogue by their names, in the active language, too."""
    return {simplify(name): row for row in rows for name in (_(row.name), row.name)}


def by_own_name(rows: Iterable[Any]) -> dict[str, Any]:
    """Rows by the names that the shop gave them; those that are alike when simplified only by their exact names."""
    rows = list(rows)
    counts = Counter(simplify(row.name) for row in rows)
    alone = {simplify(row.name): row for row in rows if counts[simplify(row.name)] == 1}
    return alone | {EXACT + row.name: row for row in rows}


def _read_text(column: Column, cell: str) -> str:
    if len(cell) > column.longest:
        sentence = _("Give at most {max_length} characters.").format(max_length=column.longest)
        raise refusal("too_long", sentence, column.name)
    return cell


def _read_number(column: Column, cell: str) -> float:
    """A number with a point or a comma, with its unit or without."""
    plain = cell.lower().replace("\u202f", " ").replace("\xa0", " ").strip()
    for unit in ("mm", "g", "%", "°c", "c", "h", "l"):
        if plain.endswith(unit):
            plain = plain.removesuffix(unit).strip()
            break
    try:
        value = float(plain.replace(",", "."))
        # 1,000 is a thousand to some and one to others.
        if not math.isfinite(value) or THOUSANDS_OR_DECIMALS.fullmatch(plain):
            raise ValueError
        return value
    except ValueError:
        sentence = _("“{text}” is not a plain number. Write it as 1000 or 0.5.")
        raise refusal("not_a_number", sentence.format(text=cell[:40]), column.name) from None


def _read_money(column: Column, cell: str) -> Decimal:
    value = _read_number(column, cell)
    if not 0 <= value < 1e6:
        raise refusal("out_of_range", _("Give an amount from 0 to 999,999.99."), column.name)
    return Decimal(f"{value:.2f}")


def _read_moment(column: Column, cell: str) -> datetime:
    """A day or a time, of which a day alone is its noon, or now where that is still ahead."""
    try:
        if "." in cell[:3]:
            day, month, year = (int(part) for part in cell.split("."))
            at: datetime = datetime.combine(date(year, month, day), time(12))
        elif len(cell) <= 10:
            at = datetime.combine(date.fromisoformat(cell), time(12))
        else:
            at = datetime.fromisoformat(cell)
        at = timezone.make_aware(at) if timezone.is_naive(at) else at
        at = at.astimezone(UTC)
    except (ValueError, OverflowError):
        sentence = _("“{text}” is not a day. Write it as 2026-01-31 or 31.01.2026.")
        raise refusal("not_a_day", sentence.format(text=cell[:40]), column.name) from None
    now = timezone.now()
    is_day = len(cell) <= 10
    return now if is_day and at > now and timezone.localdate(at) == timezone.localdate(now) else at


def _read_opened(column: Column, cell: str) -> datetime | str:
    return SEALED if simplify(cell) in {SEALED, simplify(_(SEALED))} else _read_moment(column, cell)


def _read_flag(column: Column, cell: str) -> bool:
    word = cell.casefold()
    if word in {"true", "1", YES, _(YES).casefold()}:
        return True
    if word in {"false", "0", NO, _(NO).casefold()}:
        return False
    raise refusal("not_a_flag", _("Write true or false."), column.name)


def _read_choice(column: Column, cell: str) -> str:
    """The code of a choice; its words in the active language are read, too."""
    words = {simplify(str(label)): value for value, label in column.choices if value}
    words |= {simplify(value): value for value, _label in column.choices if value}
    if (found := words.get(simplify(cell))) is not None:
        return found
    names = ", ".join(value for value, _label in column.choices if value)
    raise refusal("unknown_choice", _("Give one of: {choices}.").format(choices=names), column.name)


def _read_code(column: Column, cell: str) -> str:
    try:
        return codes.normalise(cell)
    except ValidationError as error:
        sentence = " ".join([*error.messages, _("Leave the code empty for a new one.")])
        raise refusal(error.code or "code", sentence, column.name) from None
