"""Queries whose SQL is built once and run often.

Django builds the SQL anew each time, which for a long query takes 50 times as long as running it.
"""

import json
from collections.abc import Callable, Collection, Mapping, Sequence
from typing import Any, Generic, TypeVar

from django.db import connection
from django.db.models import BigIntegerField, Expression, Field, Model, QuerySet
from django.db.models.sql.compiler import SQLCompiler

ModelT = TypeVar("ModelT", bound=Model)
Bound = tuple[str, tuple[Any, ...]]


class Parameter(Expression):
    """Stands in a prepared query for the value of that name, which each run gives."""

    def __init__(self, name: str, output_field: Field) -> None:
        super().__init__(output_field=output_field)
        self.name = name

    def as_sql(self, compiler: SQLCompiler, connection: Any) -> tuple[str, tuple[Any, ...]]:
        return "%s", (self,)

    def bind(self, values: Mapping[str, Any]) -> Any:
        """Its value in the form that the database takes."""
        return self.output_field.get_db_prep_value(values[self.name], connection)


class Ids(Parameter):
    """Stands after ``__in`` for the ids of that name, which each run gives, however many. No query runs without any."""

    def __init__(self, name: str) -> None:
        super().__init__(name, BigIntegerField())

    def as_sql(self, compiler: SQLCompiler, connection: Any) -> tuple[str, tuple[Any, ...]]:
        one_each = "unnest(%s::bigint[])" if connection.vendor == "postgresql" else "value FROM json_each(%s)"
        return f"(SELECT {one_each})", (self,)

    def bind(self, values: Mapping[str, Any]) -> Any:
        ids = list(values[self.name])
        return ids if connection.vendor == "postgresql" else json.dumps(ids)


def _run(bound: Bound, values: Mapping[str, Any]) -> list[tuple[Any, ...]]:
    sql, params = bound
    if any(isinstance(param, Ids) and not values[param.name] for param in params):
        return []
    with connection.cursor() as cursor:
        cursor.execute(
            sql, [param.bind(values) if isinstance(param, Parameter) else param for param in params]
        )
        return cursor.fetchall()


class PreparedQuery:
    """Runs a query of plain values, with a Parameter wherever a value differs from run to run.

    build: the query. Numbers and text alone: its values are returned as the database's driver gives them.
    """

    def __init__(self, build: Callable[[], QuerySet[Any, Any]]) -> None:
        self._build = build
        self._sql: dict[str, Bound] = {}

    def run(self, **values: Any) -> list[tuple[Any, ...]]:
        """The rows for these values of its parameters."""
        if connection.vendor not in self._sql:
            self._sql[connection.vendor] = self._build().query.sql_with_params()
        return _run(self._sql[connection.vendor], values)


class PreparedRows(Generic[ModelT]):
    """Runs a query of rows of a model, with a Parameter wherever a value differs from run to run.

    build: the query, without select_related. joined: the rows that come with each, by the paths of their foreign keys.
    without: the columns that are loaded when they are needed. All annotations of the query come along.
    """

    def __init__(
        self, build: Callable[[], QuerySet[ModelT]], *joined: str, without: Collection[str] = ()
    ) -> None:
        self._build, self._joined, self._without = build, joined, without
        self._prepared: dict[str, tuple[Bound, list[_Part], _Annotations]] = {}

    def run(self, **values: Any) -> list[ModelT]:
        """The rows for these values of its parameters."""
        if connection.vendor not in self._prepared:
            rows = self._build()
            parts = [_Part(rows.model, path, self._without) for path in ("", *self._joined)]
            names = [name for part in parts for name in part.columns]
            found: _Annotations = {
                name: (_find_converters(column, column.output_field), column)
                for name, column in rows.query.annotations.items()
            }
            bound = rows.values_list(*names, *found).query.sql_with_params()
            self._prepared[connection.vendor] = bound, parts, found
        bound, parts, annotations = self._prepared[connection.vendor]
        return [_build_row(parts, annotations, row) for row in _run(bound, values)]


Converters = list[Callable[[Any, Any, Any], Any]]
_Annotations = Mapping[str, tuple[Converters, Any]]


def _find_converters(column: Any, field: Any) -> Converters:
    """As the compiler of a query has them."""
    return [*connection.ops.get_db_converters(column), *field.get_db_converters(connection)]


def _convert(value: Any, converters: Converters, column: Any) -> Any:
    for convert in converters:
        value = convert(value, column, connection)
    return value


def _build_row(parts: "Sequence[_Part]", annotations: _Annotations, row: tuple[Any, ...]) -> Any:
    rows: dict[str, Any] = {}
    start = 0
    for part in parts:
        rows[part.path] = part.build_row(row[start : start + len(part.columns)], rows)
        start += len(part.columns)
    for (name, (converters, column)), value in zip(annotations.items(), row[start:], strict=True):
        setattr(rows[""], name, _convert(value, converters, column))
    return rows[""]


class _Part:
    """The columns of a prepared row that make up one model: that of the query, or one at the end of a path."""

    def __init__(self, model: type[Model], path: str, without: Collection[str]) -> None:
        self.path = path
        self._parent, _, self._name = path.rpartition("__")
        for name in path.split("__") if path else ():
            model = model._meta.get_field(name).related_model  # type: ignore[assignment]
        self._model = model
        prefix = f"{path}__" if path else ""
        fields = [field for field in model._meta.concrete_fields if prefix + field.name not in without]
        self._names = [field.attname for field in fields]
        self._key = self._names.index(model._meta.pk.attname)
        self.columns = [prefix + name for name in self._names]
        columns = [field.get_col(model._meta.db_table) for field in fields]
        found = [_find_converters(column, field) for column, field in zip(columns, fields, strict=True)]
        self._converters = [(number, columns[number], each) for number, each in enumerate(found) if each]

    def build_row(self, values: Sequence[Any], rows: Mapping[str, Any]) -> Any:
        """rows: those of the paths before. None where the foreign key has none."""
        built = None
        if values[self._key] is not None:
            values = list(values)
            for number, column, converters in self._converters:
                values[number] = _convert(values[number], converters, column)
            built = self._model.from_db(connection.alias, self._names, values)
        parent = rows.get(self._parent) if self.path else None
        if parent is not None:
            parent._meta.get_field(self._name).set_cached_value(parent, built)
        return built
