"""A shop that many tests begin with is built once; its rows are put back for the other tests."""

import random
from collections.abc import Callable
from copy import deepcopy
from dataclasses import dataclass
from datetime import datetime
from functools import cache, partial, wraps
from typing import Any, TypeVar

import pytest
import time_machine
from django.apps import apps
from django.core.management import call_command
from django.db import connection
from django.utils import timezone

import spools.codes

T = TypeVar("T")
Rows = dict[str, list[tuple]]


@dataclass(frozen=True)
class Built:
    answer: Any
    minute: datetime
    before: Rows
    added: Rows


# Of each function: tests ask for other fixtures before it.
_built: dict[Callable[[], Any], list[Built]] = {}


def build_once(build: Callable[[], T]) -> T:
    """The answer of build() and the rows that it makes, as if it ran now; on SQLite.

    Tests begin in the same minute, to which facts are some hours old; it runs again where a test asks for it later,
    has made rows before, or commits. Its spools have the same codes in each test: the ensemble of a spool is seeded by its code.
    """
    if connection.vendor != "sqlite" or not connection.in_atomic_block:
        return build()
    before, minute = _read_rows(), timezone.now().replace(second=0, microsecond=0)
    # What is given to a partial function is made for each test, from the same rows.
    key = build.func if isinstance(build, partial) else build
    variants = _built.setdefault(key, [])
    for known in variants:
        if (known.minute, known.before) == (minute, before):
            _insert(known.added)
            return deepcopy(known.answer)
    # Nothing that is put back lies in the future of a test that asks for it sooner.
    with time_machine.travel(minute, tick=False):
        known = Built(_build(build, key.__qualname__), minute, before, _added_to(before))
    variants[:] = [*variants[-3:], known]
    return deepcopy(known.answer)


def built_once(build: Callable[..., Any]) -> Any:
    """A fixture whose rows are built once, from those of the fixtures that it names."""

    @pytest.fixture
    @wraps(build)
    def restore(**fixtures: Any) -> Any:
        return build_once(partial(build, **fixtures))

    return restore


def load_catalogue() -> None:
    call_command("load_catalogue", verbosity=0)


def _build(build: Callable[[], T], seed: str) -> T:
    given, spools.codes.secrets = spools.codes.secrets, random.Random(seed)
    try:
        return build()
    finally:
        spools.codes.secrets = given


def _added_to(before: Rows) -> Rows:
    """Rows that are new or differ."""
    known = {table: set(rows) for table, rows in before.items()}
    return {
        table: [row for row in rows if row not in known.get(table, ())]
        for table, rows in _read_rows().items()
    }


def _read_rows() -> Rows:
    """All rows as SQLite stores them: a column in an expression is not converted. Tables without any are left out."""
    with connection.cursor() as cursor:
        (filled,) = cursor.execute(
            f"SELECT {', '.join(f'EXISTS (SELECT 1 FROM {table})' for table in _tables())}"
        ).fetchall()
        return {
            table: cursor.execute(
                f"SELECT {', '.join('+' + name for name in columns)} FROM {table}"
            ).fetchall()
            for (table, columns), has_rows in zip(_tables().items(), filled, strict=True)
            if has_rows
        }


def _insert(added: Rows) -> None:
    with connection.cursor() as cursor:
        for table, rows in added.items():
            columns = _tables()[table]
            places = ", ".join(["%s"] * len(columns))
            names = ", ".join(columns)
            cursor.executemany(f"INSERT OR REPLACE INTO {table} ({names}) VALUES ({places})", rows)


@cache
def _tables() -> dict[str, list[str]]:
    """Columns by table."""
    quote = connection.ops.quote_name
    return {
        quote(model._meta.db_table): [quote(field.column) for field in model._meta.local_concrete_fields]
        for model in apps.get_models(include_auto_created=True)
        if model._meta.managed and not model._meta.proxy
    }
