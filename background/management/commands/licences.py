"""Writes docs/licences.md: what the program runs with, and under which licences, by the metadata of the packages."""

import re
from importlib.metadata import PackageNotFoundError, metadata
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand

HEAD = """# Licences of what the program runs with

Each package of `requirements.lock` with the licence that its own metadata states, and each script of others in
`static/vendor`. Written by `./run manage licences`; a test fails while a package is missing here, or has a licence of a kind
that nobody has looked at.

Loadworthy itself states no licence: whoever holds its rights has to choose one before it is passed on. The packages
leave that choice nearly free, as they are installed beside it and used unchanged:

- **permissive**: their notices stay with them (each package has its own in its folder).
- **weak copyleft** (MPL-2.0, LGPL): changes of these packages are passed on under their licence, and whoever gets the
  program may exchange them. Nothing of the program itself falls under it.
- A licence that allows GPL-2.0 alone would conflict with Apache-2.0 and LGPL-3.0.

Compiled packages (numpy, scipy, numba, psycopg-binary, cryptography) bring libraries of their own, whose notices lie in
their folders too. PostgreSQL, Redis, Chromium and the packages for tests are run beside the program and not passed on.

| package | version | licence | kind |
|---|---|---|---|
"""
PINNED = re.compile(r"^([\w.-]+)==(\S+)", re.M)
ROW = re.compile(r"^\| (\S+) \| [^|]* \| ([^|]+) \|", re.M)
PAGE = settings.BASE_DIR / "docs" / "licences.md"
WEAK_COPYLEFT = ("MPL", "Mozilla", "LGPL", "Lesser General Public")
PERMISSIVE = ("Apache", "BSD", "MIT", "PSF", "Python Software Foundation", "Unlicense", "ZPL", "Zope", "ISC")


def licences_page() -> str:
    """The page of the guide. A package that only other versions of Python need keeps its row."""
    written = dict(ROW.findall(PAGE.read_text())) if PAGE.exists() else {}
    rows = [
        (name, version, find_licence(name) or written.get(name, "not stated"))
        for name, version in list_locked()
    ]
    for notice in sorted((settings.BASE_DIR / "static" / "vendor").glob("*/LICENSE")):
        rows.append((f"static/vendor/{notice.parent.name}", "", notice.read_text().split("\n", 1)[0].strip()))
    lines = [f"| {name} | {version} | {licence} | {kind(licence)} |" for name, version, licence in rows]
    return HEAD + "\n".join(lines) + "\n"


def list_locked() -> list[tuple[str, str]]:
    """Name and version of each package of the lock file."""
    return PINNED.findall((settings.BASE_DIR / "requirements.lock").read_text())


def find_licence(package: str) -> str | None:
    """As the package states it: an SPDX expression, a short text or its classifiers, the first that says something."""
    try:
        stated: Any = metadata(package)
    except PackageNotFoundError:
        return None
    classifiers = [
        text.split(" :: ")[-1] for text in stated.get_all("Classifier", []) if text.startswith("License")
    ]
    text = (stated.get("License") or "").strip()
    short = text if "\n" not in text and len(text) < 50 else ""
    ways = [text for text in (stated.get("License-Expression"), short, ", ".join(classifiers)) if text]
    return next((text for text in ways if kind(text) != "unknown"), ways[0] if ways else None)


def kind(licence: str) -> str:
    """How far it binds a program that uses the package; "unknown" fails a test."""
    if re.search(r"(?<!L)GPL", licence):
        return "unknown"
    if any(name in licence for name in WEAK_COPYLEFT):
        return "weak copyleft"
    return "permissive" if any(name in licence for name in PERMISSIVE) else "unknown"


class Command(BaseCommand):
    help = "Write docs/licences.md: the packages that the program runs with and their licences."

    def handle(self, *args: object, **options: object) -> None:
        PAGE.write_text(licences_page())
