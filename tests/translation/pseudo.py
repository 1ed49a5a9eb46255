"""A language that puts each translated text between marks, and a reader that returns the texts of a page outside them.

A text outside the marks is data of the shop, a number or a unit, else somebody has forgotten to translate it. An
element with translate="no" holds data.
"""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from html.parser import HTMLParser
from typing import Any

from asgiref.local import Local
from django.apps import apps
from django.db import models
from django.utils.translation import trans_real

from spools.codes import ALPHABET
from tests.pages.shown import VOID

FIRST, LAST = "⟦", "⟧"
READ = ("title", "alt", "placeholder", "aria-label", "aria-description", "aria-valuetext")
WORD = re.compile(r"[^\W\d_¹²³⁰⁴-⁹]{2,}")
UNITS = {
    "mm",
    "cm",
    "km",
    "kg",
    "mg",
    "min",
    "kWh",
    "kJ",
    "mol",
    "HV",
    "EUR",
    "GPa",
    "MPa",
    "ppm",
    "oz",
    "lb",
    "ft",
    "in",
    "dpi",
    "kB",
    "MB",
}
# The same in every language.
NAMES = {"Loadworthy", "English", "Deutsch", "API", "OpenAPI", "CSV", "JSON", "URL", "QR", "Letter"}
# Codes of spools as people read them, and of places and parts.
CODES = rf"[{ALPHABET}]{{3}}-[{ALPHABET}]{{3}}|[PT][{ALPHABET}]{{4}}"


class Pseudo:
    """Stands for the catalogue of a language; dates are written as in that language."""

    def __init__(self, real: Any) -> None:
        self._real = real

    def __getattr__(self, name: str) -> Any:
        return getattr(self._real, name)

    def gettext(self, text: str) -> str:
        if text.startswith("date\x04"):
            return self._real.gettext(text)
        return f"{FIRST}{text.rpartition(chr(4))[2]}{LAST}"

    def ngettext(self, one: str, many: str, number: int) -> str:
        return self.gettext(one if number == 1 else many)


@contextmanager
def pseudo_german() -> Iterator[None]:
    """Whatever is shown in German is between marks inside the block."""
    real = trans_real.translation("de")
    trans_real._translations["de"] = Pseudo(real)
    trans_real._active = Local()
    try:
        yield
    finally:
        trans_real._translations["de"] = real
        trans_real._active = Local()


class _Texts(HTMLParser):
    def __init__(self, page: str) -> None:
        super().__init__()
        self.found: list[str] = []
        # How many translated texts are open: a link stands within a sentence.
        self._depth = 0
        self._silent: list[bool] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        silent = (
            any(self._silent[-1:]) or tag in ("script", "style", "code") or given.get("translate") == "no"
        )
        if not silent:
            self.found += [outside(given[name] or "")[0] for name in READ if name in given]
        if tag not in VOID:
            self._silent.append(silent)

    def handle_endtag(self, tag: str) -> None:
        if tag not in VOID and self._silent:
            self._silent.pop()

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self._silent.pop()

    def handle_data(self, data: str) -> None:
        if not any(self._silent[-1:]):
            kept, self._depth = outside(data, self._depth)
            self.found.append(kept)


def data_of_the_shop() -> re.Pattern[str]:
    """All texts that people or the catalogue have put into the database, the longest first."""
    found = set()
    for app in ("access", "spools", "maintenance"):
        for model in apps.get_app_config(app).get_models():
            names = [
                field.name
                for field in model._meta.fields
                if isinstance(field, (models.CharField, models.TextField)) and not field.choices
            ]
            for row in model._base_manager.values_list(*names) if names else ():
                found.update(value for value in row if value and len(value) > 1)
    parts = sorted(found, key=len, reverse=True)
    texts = "|".join([*map(re.escape, parts), CODES])
    return re.compile(rf"(?<!\w)(?:{texts})(?!\w)")


def outside(text: str, depth: int = 0) -> tuple[str, int]:
    """What of a text is between no marks, and how many translated texts are open after it. depth: before it."""
    kept = []
    for sign in text:
        depth += (sign == FIRST) - (sign == LAST)
        kept.append(sign if depth == 0 and sign != LAST else " ")
    return "".join(kept), depth


def unmarked_texts(page: str, data: re.Pattern[str]) -> list[str]:
    """The texts of a page with words that are neither translated nor data."""
    return [
        " ".join(text.split())
        for text in _Texts(page).found
        if {*WORD.findall(data.sub(" ", text))} - UNITS - NAMES
    ]
