"""A column that holds statements."""

from typing import Any

from django.db import models
from django.db.models.fields.json import KeyTransform

from spools.statements import Statement


class StatementField(models.JSONField):
    """A Statement or a list of them, stored as codes and values. Their sentences are not stored."""

    def from_db_value(self, value: Any, expression: Any, connection: Any) -> Any:
        data = super().from_db_value(value, expression, connection)
        if data is None or isinstance(expression, KeyTransform):
            return data
        return (
            [Statement.from_data(row) for row in data]
            if isinstance(data, list)
            else Statement.from_data(data)
        )

    def get_prep_value(self, value: Any) -> Any:
        return super().get_prep_value(_as_data(value))

    def value_to_string(self, obj: models.Model) -> Any:
        return _as_data(super().value_to_string(obj))


def _as_data(value: Any) -> Any:
    if isinstance(value, list):
        return [_as_data(row) for row in value]
    return value.as_data() if isinstance(value, Statement) else value
