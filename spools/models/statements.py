"""A column that holds a statement."""

from typing import Any

from django.db import models
from django.db.models.fields.json import KeyTransform

from spools.statements import Statement


class StatementField(models.JSONField):
    """A Statement, stored as its code and values. Its sentence is not stored."""

    def from_db_value(self, value: Any, expression: Any, connection: Any) -> Any:
        data = super().from_db_value(value, expression, connection)
        return data if data is None or isinstance(expression, KeyTransform) else Statement.from_data(data)

    def get_prep_value(self, value: Any) -> Any:
        return super().get_prep_value(_as_data(value))

    def value_to_string(self, obj: models.Model) -> Any:
        return _as_data(super().value_to_string(obj))


def _as_data(value: Any) -> Any:
    return value.as_data() if isinstance(value, Statement) else value
