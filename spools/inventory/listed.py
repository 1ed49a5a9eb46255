"""A shop's own list of spools, from a spreadsheet: read, looked through, and received line by line, all or none."""

import math
from collections.abc import Iterable
from contextlib import closing
from dataclasses import dataclass, field
from datetime import date, datetime, time
from decimal import Decimal
from difflib import get_close_matches
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_noop

from spools import codes
from spools.edits.tables import THOUSANDS_OR_DECIMALS, read_table
from spools.inventory.assumptions import save_feedstock
from spools.inventory.openings import record_opening
from spools.inventory.receiving import NewSpool, receive_spool, suggest_reel
from spools.models import CoreKind, Feedstock, Filler, Place, Polymer, Spool
from spools.refusals import refusal

MOST_SPOOLS = 300
GUESSED_G, GUESSED_FILLER_PCT = 1000.0, 15.0
# The columns, with their meaning; their names are read in the active language, too. Only the first must be there.
MATERIAL = "material"
COLUMNS = {
    gettext_noop("material"): gettext_noop("name of the polymer as in Materials, such as PLA or PA6"),
    gettext_noop("maker"): gettext_noop("a new name adds the maker"),
    gettext_noop("product"): gettext_noop("name of the product; empty: the material"),
    gettext_noop("colour"): gettext_noop("in your own words"),
    gettext_noop("filler"): gettext_noop("such as carbon fibre; empty: none"),
    gettext_noop("filler_pct"): gettext_noop("share of the filler, % of the mass; empty: 15, assumed"),
    gettext_noop("diameter_mm"): gettext_noop("of the filament; empty: 1.75"),
    gettext_noop("amount_g"): gettext_noop(
        "grams left, without the reel; empty: what the reel usually carries"
    ),
    gettext_noop("reel"): gettext_noop(
        "a common reel by its name; empty: a usual size, of unknown mass and material"
    ),
    gettext_noop("opened_on"): gettext_noop(
        "day on which the bag was opened; sealed: not yet; empty: not known"
    ),
    gettext_noop("received_on"): gettext_noop(
        "day on which it came; empty: the day of its opening, else now"
    ),
    gettext_noop("place"): gettext_noop("name of a place of the shop; empty: the place chosen below"),
    gettext_noop("batch"): gettext_noop("as the label states it"),
    gettext_noop("price"): gettext_noop("paid for the spool"),
    gettext_noop("code"): gettext_noop("of a label that it has from this program; empty: a new one"),
}
SEALED_WORDS = gettext_noop("sealed")
# Where a refusal names another input than the column.
COLUMN_NAMES = {
    "net_mass_g": "amount_g",
    "at": "opened_on",
    "filler_mass_fraction": "filler_pct",
    "name": "product",
}


class ListRefused(ValidationError):
    """Lines of a list cannot be. faults: (line, column or "", sentence) of each, in their order."""

    def __init__(self, faults: list[tuple[int, str, str]]) -> None:
        self.faults = faults
        super().__init__(
            {
                ".".join(filter(None, ["lines", str(line), column])): ValidationError(sentence, code="listed")
                for line, column, sentence in faults
            }
        )


@dataclass
class Listed:
    """A line of a list with the spool that it becomes. assumed: the columns that were guessed."""

    line: int
    spool: Spool
    place: Place
    amount_g: float
    is_new_feedstock: bool
    has_code: bool
    opened_at: datetime | None
    assumed: list[str] = field(default_factory=list)

    @property
    def assumed_names(self) -> list[str]:
        return [_(name) for name in self.assumed]


class _Preview(Exception):
    """Ends the transaction of a list that is only looked through."""


def receive_list(
    file: Any, place: Place | None = None, *, by: Any = None, preview: bool = False
) -> list[Listed]:
    """Receives a spool for each line of a table, with its feedstock and maker where they are new.

    file: open, of bytes; place: of lines that name none. preview: all of it is done, and taken back. Raises ListRefused
    with all faults, and ValidationError where the table as a whole cannot be read; nothing is stored then.
    """
    known = {_(name).lower(): name for name in COLUMNS}
    with closing(read_table(file, [MATERIAL], known)) as table:
        rows = [row for _number, row in zip(range(MOST_SPOOLS + 1), table, strict=False)]
    if not rows:
        raise refusal("no_spools", _("The list has a header and no spools below it."))
    if len(rows) > MOST_SPOOLS:
        sentence = _("The list has more than {count} spools. Split it.")
        raise refusal("list_too_long", sentence.format(count=MOST_SPOOLS))
    reader = _Reader(place, by)
    try:
        with transaction.atomic():
            listed = [spool for line, cells in rows if (spool := reader.receive(line, cells)) is not None]
            if reader.faults:
                raise ListRefused(reader.faults)
            if preview:
                raise _Preview
    except _Preview:
        pass
    return listed


class _Reader:
    """Receives line after line. faults: of all lines so far."""

    def __init__(self, place: Place | None, by: Any) -> None:
        self.place, self.by = place, by
        self.faults: list[tuple[int, str, str]] = []
        self.polymers = {_plain(polymer.name): polymer for polymer in Polymer.objects.all()}
        self.fillers = _by_name(Filler.objects.all())
        self.reels = _by_name(CoreKind.objects.all())
        places = Place.objects.in_use().exclude(kind__in=[Place.Kind.DRYER, Place.Kind.PRINTER])
        self.places = {_plain(each.name): each for each in places}

    def receive(self, line: int, cells: dict[str, str]) -> Listed | None:
        """The spool of a line; None where something of it cannot be, which is in faults then."""
        column = ""
        try:
            with transaction.atomic():
                return self._receive(line, cells)
        except ValidationError as error:
            by_field = error.message_dict if hasattr(error, "error_dict") else {"": error.messages}
            for name, sentences in by_field.items():
                column = COLUMN_NAMES.get(name, name if name in COLUMNS else "")
                self.faults.append((line, column, " ".join(sentences)))
            return None

    def _receive(self, line: int, cells: dict[str, str]) -> Listed:
        cells = {name: cells.get(name, "") for name in COLUMNS}
        assumed: list[str] = []
        feedstock, is_new = self._find_feedstock(cells, assumed)
        place = self._find(self.places, "place", cells["place"]) or self.place
        if place is None:
            raise refusal("place_missing", _("Name a place, or choose one for lines without."), "place")
        code = self._find_code(cells["code"])
        received_at, opened_at, how = _read_days(cells, assumed)
        amount_g, reel = self._describe_reel(cells, assumed)
        price = _read_number("price", cells["price"])
        spool = receive_spool(
            NewSpool(
                feedstock=feedstock,
                net_mass_g=amount_g,
                batch=cells["batch"],
                price=None if price is None else Decimal(f"{price:.2f}"),
                masses_confirmed=True,
                **how,
                **reel,
            ),
            place,
            at=received_at,
            by=self.by,
            code=code,
        )
        if opened_at is not None and not how["opened"]:
            record_opening(spool, at=opened_at, by=self.by)
        return Listed(line, spool, place, amount_g, is_new, bool(code), opened_at, assumed)

    def _find_feedstock(self, cells: dict[str, str], assumed: list[str]) -> tuple[Feedstock, bool]:
        """The feedstock of a line, which is stored where the shop has none such yet."""
        polymer: Polymer | None = self._find(self.polymers, MATERIAL, cells[MATERIAL])
        if polymer is None:
            raise refusal("material_missing", _("Name the material."), MATERIAL)
        filler: Filler | None = self._find(self.fillers, "filler", cells["filler"])
        share = _read_number("filler_pct", cells["filler_pct"])
        if filler is not None and share is None:
            share = GUESSED_FILLER_PCT
            assumed.append("filler_pct")
        maker = " ".join(cells["maker"].split()) or _("unknown maker")
        name = cells["product"] or (str(polymer) if filler is None else f"{polymer} {filler}")
        diameter_mm = _read_number("diameter_mm", cells["diameter_mm"]) or 1.75
        found = Feedstock.objects.filter(
            maker__name__iexact=maker,
            name__iexact=name,
            colour__iexact=cells["colour"],
            diameter_mm=diameter_mm,
        )
        if (stored := found.select_related("maker", "polymer", "filler").first()) is not None:
            if (stored.polymer, stored.filler) != (polymer, filler):
                sentence = _(
                    "The shop has {product} as {material}. Correct the line, or name another product."
                )
                raise refusal(
                    "other_material", sentence.format(product=stored, material=stored.polymer), MATERIAL
                )
            return stored, False
        new = Feedstock(
            polymer=polymer,
            name=name,
            colour=cells["colour"],
            diameter_mm=diameter_mm,
            filler=filler,
            filler_mass_fraction=(share or 0.0) / 100,
        )
        return save_feedstock(new, maker), True

    def _find(self, rows: dict[str, Any], column: str, text: str) -> Any:
        """The row with this name in any case; None for no name. Refused: a name that nothing has."""
        if not text:
            return None
        found = rows.get(_plain(text))
        if found is not None:
            return found
        # Names of places are the shop's own.
        names = {plain: str(row) if column == "place" else _(str(row)) for plain, row in rows.items()}
        near = dict.fromkeys(names[plain] for plain in get_close_matches(_plain(text), rows, 3, 0.5))
        if near:
            sentence = _("“{text}” is not known here. Is one of these meant: {near}?")
        elif column == "place":
            sentence = _("“{text}” is not known here. Add the place first, or correct the name.")
        else:
            sentence = _("“{text}” is not known here. Known: {all}.")
        known = ", ".join(dict.fromkeys(names.values()))
        shown = {"text": text[:40], "near": ", ".join(near), "all": known}
        raise refusal("unknown_name", sentence.format(**shown), column)

    def _find_code(self, text: str) -> str:
        if not text:
            return ""
        try:
            code = codes.normalise(text)
        except ValidationError as error:
            sentence = " ".join([*error.messages, _("Leave the code empty for a new one.")])
            raise refusal(error.code or "code", sentence, "code") from None
        if Spool.objects.filter(code=code).exists():
            sentence = _("There is a spool {code} already. Leave the code empty, or take the line out.")
            raise refusal("code_taken", sentence.format(code=codes.pretty(code)), "code")
        return code

    def _describe_reel(self, cells: dict[str, str], assumed: list[str]) -> tuple[float, dict[str, Any]]:
        """The grams on it, and the numbers of its reel."""
        kind: CoreKind | None = self._find(self.reels, "reel", cells["reel"])
        amount_g = _read_number("amount_g", cells["amount_g"])
        if amount_g is None:
            amount_g = GUESSED_G if kind is None else kind.net_mass_g
            assumed.append("amount_g")
        if kind is None:
            assumed.append("reel")
            return amount_g, suggest_reel(amount_g)
        reel = {
            "core_radius_mm": kind.core_radius_mm,
            "width_mm": kind.width_mm,
            "core_material": kind.material,
        }
        return amount_g, reel | {"core_mass_g": kind.mass_g, "core_mass_band_g": kind.mass_band_g}


def _by_name(rows: Iterable[Any]) -> dict[str, Any]:
    """Rows of the catalogue by their names, in the active language, too."""
    return {_plain(name): row for row in rows for name in (_(row.name), row.name)}


def _plain(name: str) -> str:
    """A name as it is compared: without case, spaces, dashes and the like."""
    return "".join(character for character in name.casefold() if character.isalnum() or character in "/+")


def _read_number(column: str, text: str) -> float | None:
    """A number with a point or a comma, with its unit or without; None for nothing."""
    plain = text.lower().replace("\u202f", " ").replace("\xa0", " ").strip()
    for unit in ("mm", "g", "%"):
        plain = plain.removesuffix(unit).strip()
    if not plain:
        return None
    try:
        number = float(plain.replace(",", "."))
        # 1,000 is a thousand to some and one to others.
        if not math.isfinite(number) or THOUSANDS_OR_DECIMALS.fullmatch(plain):
            raise ValueError
        return number
    except ValueError:
        sentence = _("“{text}” is not a plain number. Write it as 1000 or 0.5.")
        raise refusal("not_a_number", sentence.format(text=text[:40]), column) from None


def _read_day(column: str, text: str) -> datetime | None:
    """A day or a time, of which a day alone is its noon, or now where that is still ahead; None for nothing."""
    if not text:
        return None
    try:
        if "." in text:
            day, month, year = (int(part) for part in text.split("."))
            at: datetime = datetime.combine(date(year, month, day), time(12))
        elif len(text) <= 10:
            at = datetime.combine(date.fromisoformat(text), time(12))
        else:
            at = datetime.fromisoformat(text)
        at = timezone.make_aware(at) if timezone.is_naive(at) else at
    except (ValueError, OverflowError):
        sentence = _("“{text}” is not a day. Write it as 2026-01-31 or 31.01.2026.")
        raise refusal("not_a_day", sentence.format(text=text[:40]), column) from None
    now = timezone.now()
    return now if at > now and timezone.localdate(at) == timezone.localdate(now) else at


def _read_days(
    cells: dict[str, str], assumed: list[str]
) -> tuple[datetime | None, datetime | None, dict[str, Any]]:
    """When it came, when its bag was opened, and whether it came sealed and was opened at once."""
    received_at = _read_day("received_on", cells["received_on"])
    if _plain(cells["opened_on"]) in {_plain(SEALED_WORDS), _plain(_(SEALED_WORDS))}:
        return received_at, None, {"sealed": True, "opened": False}
    opened_at = _read_day("opened_on", cells["opened_on"])
    if opened_at is None:
        # Nobody knows since when it takes up water: it came open, as wet as such spools are.
        assumed.append("opened_on")
        return received_at, None, {"sealed": False, "opened": False}
    if received_at is None or received_at >= opened_at:
        return opened_at, opened_at, {"sealed": True, "opened": True}
    return received_at, opened_at, {"sealed": True, "opened": False}
