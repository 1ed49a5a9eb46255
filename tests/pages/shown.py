"""Reads pages as tests compare them: by codes, keys and values, so that their wording can change.

A refusal is compared by its code, a notice by its tags, an element by its key (``data-note`` in the template). A value
is a name, a number with its unit or a text that the test itself entered, never a sentence of the product.
"""

from collections.abc import Iterable, Iterator
from html.parser import HTMLParser
from typing import Any

from django.forms import BaseForm, BaseFormSet
from django.http import HttpResponse

# Elements without an end tag.
VOID = {"br", "circle", "hr", "img", "input", "line", "link", "meta", "path", "polyline", "rect", "wbr"}


class _Page(HTMLParser):
    """All words of a page, those below each key, and its notices."""

    def __init__(self, response: HttpResponse) -> None:
        super().__init__()
        self.words: list[str] = []
        self.notes: dict[str, list[str]] = {}
        self.notices: list[str] = []
        self._open: list[tuple[str, str]] = []
        self.feed(response.content.decode())

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        key = given.get("data-note") or ""
        if "data-notice" in given:
            key = "notice"
            self.notices.append(given["data-notice"] or "")
        if key:
            self.notes.setdefault(key, [])
        if tag not in VOID:
            self._open.append((tag, key))

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        pass

    def handle_endtag(self, tag: str) -> None:
        while self._open and self._open.pop()[0] != tag:
            pass

    def handle_data(self, data: str) -> None:
        self.words += data.split()
        for _, key in self._open:
            if key:
                self.notes[key] += data.split()


class _Forms(HTMLParser):
    """The forms of a page with the values that a browser would send."""

    def __init__(self, response: HttpResponse) -> None:
        super().__init__()
        self.forms: list[dict[str, Any]] = []
        self._select: tuple[str, bool] = "", False
        self.feed(response.content.decode())

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        if tag == "form":
            self.forms.append({"address": given.get("action"), "class": given.get("class"), "values": {}})
        if not self.forms:
            return
        values: dict[str, list[str]] = self.forms[-1]["values"]
        name, value = given.get("name") or "", given.get("value") or ""
        if tag == "input" and name:
            if given.get("type") not in ("checkbox", "radio") or "checked" in given:
                values.setdefault(name, []).append(value)
        elif tag == "textarea":
            values[name] = [""]
        elif tag == "select":
            self._select = name, "multiple" in given
        elif tag == "option":
            name, several = self._select
            if "selected" in given or (name not in values and not several):
                values[name] = [value] if not several else [*values.get(name, []), value]


def forms_on(response: HttpResponse) -> list[dict[str, Any]]:
    """The forms of a page: address, class, and the values that a browser would send, each a list by its name."""
    return _Forms(response).forms


def shows(response: HttpResponse, *values: Any, note: str = "") -> bool:
    """Whether the page shows each of the values; with ``note``, whether the elements with this key do."""
    page = _Page(response)
    words = " ".join(page.notes.get(note, []) if note else page.words)
    return all(" ".join(str(value).split()) in words for value in values)


def notes(response: HttpResponse) -> set[str]:
    """The keys of the elements on the page."""
    return set(_Page(response).notes)


def notices(response: HttpResponse) -> list[str]:
    """The tags of each notice at the top: its level, before it the codes of a refusal."""
    return _Page(response).notices


def require_refused(
    response: HttpResponse, code: str, field: str | None = None, *, names: Iterable[str] = ()
) -> None:
    """Checks that a form of the page was refused for the reason that the code names, and that the page says so.

    field: the input at which it stands. names: values that its sentence has to give, such as the limit.
    """
    assert response.status_code == 200, response.status_code
    reasons = [
        (at, str(error.code), message)
        for form in _bound_forms(response)
        for at, errors in form.errors.as_data().items()
        for error in errors
        for message in error.messages
    ]
    found = [message for at, its, message in reasons if its == code and field in (None, at)]
    assert found, reasons
    assert any(all(name in message for name in names) for message in found), found
    assert all(shows(response, message) for message in found), found


def _bound_forms(response: HttpResponse) -> list[BaseForm]:
    found: dict[int, BaseForm] = {}
    for layer in response.context or []:
        for values in layer.dicts:
            for value in values.values():
                found |= {id(form): form for form in _forms_in(value) if form.is_bound}
    return list(found.values())


def _forms_in(value: Any, depth: int = 0) -> Iterator[BaseForm]:
    if isinstance(value, BaseForm):
        yield value
    elif isinstance(value, BaseFormSet):
        yield from value.forms
    elif isinstance(value, (list, tuple)) and depth < 3:
        for inner in value:
            yield from _forms_in(inner, depth + 1)


def due_rows(response: HttpResponse) -> list[Any]:
    """The due reminders that a page shows, each with its act, in their groups."""
    return [row for group in response.context["groups"] for row in group.rows]
