"""The table of all addresses with the role that each needs, from the URL resolver."""

from collections.abc import Iterator
from typing import Any, NamedTuple

from django.urls import URLPattern, URLResolver, get_resolver

from access.rules import required_role

HEAD = """# Who may do what

Each address with the role that reading and changing it needs, written by `./run manage access_table`. A test fails
while an address is missing here. The rules are in `access/rules.py`; the admin is for superusers.

| address | read | change |
|---|---|---|
"""


class Address(NamedTuple):
    name: str
    pattern: str
    actions: dict[str, str] | None
    """Of an endpoint of the API, its methods."""


def addresses(resolver: URLResolver | None = None, names: str = "", start: str = "/") -> Iterator[Address]:
    """All addresses of the resolver, those of the API with their methods."""
    for entry in (resolver or get_resolver()).url_patterns:
        pattern = start + str(entry.pattern)
        if isinstance(entry, URLPattern):
            actions: Any = getattr(entry.callback, "actions", None)
            yield Address(f"{names}{entry.name or ''}", pattern, actions)
        else:
            inner = f"{names}{entry.namespace}:" if entry.namespace else names
            yield from addresses(entry, inner, pattern)


def access_table() -> str:
    """The page of the guide."""
    listed = sorted({address.name for address in addresses() if not address.name.startswith("admin:")})
    rows = [f"| {name} | {required_role(name, 'GET')} | {required_role(name, 'POST')} |" for name in listed]
    return HEAD + "\n".join(rows) + "\n"
