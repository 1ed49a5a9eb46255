"""Loading what computations need of many rows at once; what they have in common is loaded and held once."""

from collections.abc import Iterable
from typing import Any

from django.db.models import QuerySet

from .models import Feedstock, Place, Spool


def with_materials() -> QuerySet[Spool]:
    """Spools with all that the catalogue and their weighings say of them, in one query."""
    return Spool.objects.select_related(
        "feedstock__polymer", "feedstock__filler", "feedstock__maker", "ensemble"
    )


def spools_by_id(ids: Iterable[int], weighings: bool = True) -> dict[int, Spool]:
    """The same for many spools, or without what their weighings say. Two queries for each thousand."""
    spools = Spool.objects.select_related("ensemble") if weighings else Spool.objects.all()
    found = spools.in_bulk(list(ids))
    share(found.values(), "feedstock", Feedstock.objects.select_related("polymer", "filler", "maker"))
    return found


def share_places(rows: Iterable[Any], name: str = "place") -> None:
    """Give rows their places with the rooms of these. One query."""
    share(rows, name, Place.objects.select_related("room"))


def share(rows: Iterable[Any], name: str, related: QuerySet[Any]) -> None:
    """Give rows the one object of each that they refer to by a foreign key. One query.

    A join would build it anew for each row. prefetch_related would share it, too, but Django asks SQLite for
    it with an OR of all keys, and SQLite refuses a thousand of them.
    """
    rows = list(rows)
    if not rows:
        return
    field = rows[0]._meta.get_field(name)
    ids = [getattr(row, field.attname) for row in rows]
    found = related.in_bulk(set(ids))
    for row, pk in zip(rows, ids, strict=True):
        # What an assignment does besides this takes longer than building the row.
        field.set_cached_value(row, found[pk])
