"""The catalogues of translated texts: one for each app and language, with texts of Python code and templates."""

import os
import re
from collections.abc import Iterator
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path
from tempfile import NamedTemporaryFile
from typing import Any

from babel.messages.catalog import Catalog, Message
from babel.messages.extract import extract
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po, write_po
from django.conf import settings
from django.utils.translation.template import templatize

APPS = [path.parent.name for path in map(Path, settings.LOCALE_PATHS)]
# Templates outside the apps are shown by pages.
FOLDERS = {app: [app] for app in APPS} | {"pages": ["pages", "templates"]}
# Which arguments of a call are texts; (1, "c") is the context.
KEYWORDS: dict[str, Any] = {
    **dict.fromkeys(["_", "gettext", "gettext_lazy", "gettext_noop"]),
    **dict.fromkeys(["ngettext", "ngettext_lazy"], (1, 2)),
    **dict.fromkeys(["pgettext", "pgettext_lazy"], ((1, "c"), 2)),
    **dict.fromkeys(["npgettext", "npgettext_lazy"], ((1, "c"), 2, 3)),
}
# No date in the files: they change when texts change.
NO_DATE = datetime(2026, 1, 1, tzinfo=UTC)


def catalogue_path(app: str, language: str) -> Path:
    return settings.BASE_DIR / app / "locale" / language / "LC_MESSAGES" / "django.po"


def translated_languages() -> list[str]:
    return [code for code, _ in settings.LANGUAGES if not code.startswith("en")]


def read_catalogue(path: Path, language: str) -> Catalog:
    if not path.exists():
        return Catalog(locale=language)
    with path.open("rb") as file:
        return read_po(file, locale=language)


def extract_texts(app: str) -> Iterator[tuple[Any, str | None]]:
    """Each text with its context; a pair of texts where there is a plural."""
    for folder in FOLDERS[app]:
        for path in sorted((settings.BASE_DIR / folder).rglob("*")):
            text = path.read_text() if path.suffix in (".py", ".html", ".txt") else ""
            if "translat" not in text:
                continue
            if path.suffix != ".py":
                # The reader of Python takes offence at indentation.
                lines = templatize(text, origin=str(path)).splitlines()
                text = "\n".join(line.lstrip() for line in lines)
            for _, message, _, context in extract("python", BytesIO(text.encode()), KEYWORDS):
                yield message, context


def update_catalogue(app: str, language: str, known: dict[Any, Any]) -> list[str]:
    """Write the catalogue of an app with the texts that it has now; returns those without translation.

    known: translations of all apps by (text, context); a text that two apps have is translated once.
    """
    catalogue = Catalog(
        locale=language,
        project="Loadworthy",
        version="1",
        msgid_bugs_address="-",
        last_translator="-",
        language_team="-",
        creation_date=NO_DATE,
        revision_date=NO_DATE,
        fuzzy=False,
    )
    catalogue.header_comment = f"# Texts of {app}, written by ./run manage messages."
    for message, context in extract_texts(app):
        catalogue.add(message, context=context)
    missing = []
    for message in catalogue:
        if message.id:
            message.string = known.get(_key(message), message.string)
            if not is_translated(message):
                missing.append(_key(message)[0])
    path = catalogue_path(app, language)
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("wb") as file:
        write_po(file, catalogue, width=110, sort_output=True, no_location=True, omit_header=False)
    return missing


def _key(message: Message) -> tuple[Any, Any, bool]:
    return (message.id[0] if message.pluralizable else message.id, message.context, message.pluralizable)


def is_translated(message: Message) -> bool:
    return all(message.string or ()) if message.pluralizable else bool(message.string)


def update_catalogues() -> dict[str, list[str]]:
    """Write and compile all catalogues; returns the texts without translation of each app."""
    missing: dict[str, list[str]] = {app: [] for app in APPS}
    for language in translated_languages():
        known = {
            _key(message): message.string
            for app in APPS
            for message in read_catalogue(catalogue_path(app, language), language)
            if message.id and is_translated(message)
        }
        for app in APPS:
            missing[app] += update_catalogue(app, language, known)
    compile_catalogues()
    return missing


def compile_catalogues() -> None:
    """Compile the catalogues that have changed since; nobody ever reads half a file."""
    for language in translated_languages():
        for app in APPS:
            source = catalogue_path(app, language)
            target = source.with_suffix(".mo")
            if not source.exists() or (
                target.exists() and target.stat().st_mtime_ns >= source.stat().st_mtime_ns
            ):
                continue
            read_at = source.stat().st_mtime_ns
            with NamedTemporaryFile(dir=target.parent, suffix=".new", delete=False) as file:
                write_mo(file, read_catalogue(source, language))
            os.chmod(file.name, 0o644)
            os.utime(file.name, ns=(read_at, read_at))
            os.replace(file.name, target)


PLACEHOLDER = re.compile(r"%\(\w+\)s|{\w*}")


def list_placeholders(text: str) -> list[str]:
    """What a text names to be filled in, sorted."""
    return sorted(set(PLACEHOLDER.findall(text)))
