"""Queries that load many rows at once; the objects that rows have in common are loaded once."""

from collections.abc import Collection, Iterable
from typing import Any

from django.db.models import CharField, Exists, OuterRef, Q, QuerySet, Sum

from background.prepared import Ids, Parameter, PreparedRows
from spools.models import Feedstock, MassEntry, Place, Spool, Stay

MOST_WORDS = 8
MOST_LETTERS = 200


def with_materials() -> QuerySet[Spool]:
    """Spools with their materials and the cache of their weighings, in one query."""
    return Spool.objects.select_related(
        "feedstock__polymer", "feedstock__filler", "feedstock__maker", "ensemble", "prior"
    )


def find_by_code(code: str) -> Spool | None:
    """One of with_materials, by its code as stored."""
    return next(iter(_BY_CODE.run(code=code)), None)


def load_with_materials(ids: Collection[int]) -> dict[int, Spool]:
    """Those of with_materials, by their ids. One query."""
    return {spool.pk: spool for spool in _BY_IDS.run(ids=ids)}


_MATERIALS = ("feedstock", "feedstock__polymer", "feedstock__filler", "feedstock__maker", "ensemble", "prior")
_BY_CODE = PreparedRows(lambda: Spool.objects.filter(code=Parameter("code", CharField())), *_MATERIALS)
_BY_IDS = PreparedRows(lambda: Spool.objects.filter(pk__in=Ids("ids")), *_MATERIALS)


def spools_by_id(ids: Iterable[int], weighings: bool = True) -> dict[int, Spool]:
    """The same for many spools by id, or without the cache of weighings. Two queries for each thousand."""
    spools = Spool.objects.select_related("ensemble", "prior") if weighings else Spool.objects.all()
    loaded = spools.in_bulk(list(ids))
    share_feedstocks(loaded.values())
    return loaded


def load_full_masses(ids: Collection[int]) -> dict[int, float]:
    """The grams that these spools had when full, by their labels: received, or joined onto them later. One query."""
    kinds = [MassEntry.Kind.RECEIVED, MassEntry.Kind.JOINED]
    entries = MassEntry.objects.valid().filter(spool__in=list(ids), kind__in=kinds).order_by()
    return dict(entries.values_list("spool").annotate(full_g=Sum("net_change_g")))


def cut_search(text: str) -> str:
    """The first words of a text, the most that one search looks for: each costs seven comparisons a spool."""
    return " ".join(text[:MOST_LETTERS].replace("\0", "").split()[:MOST_WORDS])


def search_spools(spools: QuerySet[Spool], text: str) -> QuerySet[Spool]:
    """The spools that have each word of a text in their code, batch, material, maker, colour or place."""
    for word in cut_search(text).split():
        there = Stay.objects.filter(spool=OuterRef("pk"), end=None, place__name__icontains=word)
        spools = spools.filter(
            Q(code__icontains=word.replace("-", ""))
            | Q(batch__icontains=word)
            | Q(feedstock__name__icontains=word)
            | Q(feedstock__colour__icontains=word)
            | Q(feedstock__polymer__name__icontains=word)
            | Q(feedstock__maker__name__icontains=word)
            | Exists(there)
        )
    return spools


def share_places(stays: Iterable[Any], runs: Iterable[Any]) -> None:
    """Give stays their places, and drying runs their dryers, with the rooms of these. One query."""
    _share([(stays, "place"), (runs, "dryer")], _PLACES)


def share_feedstocks(spools: Iterable[Spool]) -> None:
    """Give spools their feedstocks, with the materials of these. One query."""
    _share([(spools, "feedstock")], _FEEDSTOCKS)


def load_feedstocks(ids: Collection[int]) -> dict[int, Feedstock]:
    """Feedstocks with their materials, by their ids. One query."""
    return {feedstock.pk: feedstock for feedstock in _FEEDSTOCKS.run(ids=ids)}


_PLACES = PreparedRows(lambda: Place.objects.filter(pk__in=Ids("ids")), "room")
_FEEDSTOCKS = PreparedRows(lambda: Feedstock.objects.filter(pk__in=Ids("ids")), "polymer", "filler", "maker")


def _share(groups: Iterable[tuple[Iterable[Any], str]], related: PreparedRows[Any]) -> None:
    """A join would build the objects anew for each row. prefetch_related would share them, too, but Django
    asks SQLite for them with an OR of all keys, and SQLite refuses a thousand of them.
    """
    key_groups = []
    for rows, name in groups:
        first = next(iter(rows), None)
        if first is not None:
            field = first._meta.get_field(name)
            key_groups.append((field, [(row, getattr(row, field.attname)) for row in rows]))
    if not key_groups:
        return
    objects = {row.pk: row for row in related.run(ids={pk for _, keys in key_groups for _, pk in keys})}
    for field, keys in key_groups:
        for row, pk in keys:
            # A plain assignment does more than this, and takes longer than building the row.
            field.set_cached_value(row, objects[pk])
