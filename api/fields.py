"""Fields that take only what can be true of a number, a time and a label's code; bases for serializers."""

import math
import re
from collections.abc import Mapping
from datetime import UTC, datetime, time
from typing import Any

from django.db import models, transaction
from django.db.models import QuerySet
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from spools import codes
from spools.edits.versions import count_edit
from spools.models import Spool

# Beyond any mass, length or count of a shop, and within the range of every database.
LARGEST = 1e9
YEARS = (2000, 2100)

# The unknown fields of a body that are named, and the letters of each.
MOST_UNKNOWN = 20
MOST_LETTERS = 100


class Number(serializers.FloatField):
    default_error_messages = {
        "invalid": gettext_lazy("Give a number, with a point before its decimals, such as 1.5."),
        "not_finite": gettext_lazy("Give an ordinary number; got one that is not finite or absurd."),
    }

    def __init__(self, **kwargs: Any) -> None:
        # Declared in the schema, too; most fields have narrower ones from limits.
        super().__init__(**{"min_value": -LARGEST, "max_value": LARGEST} | kwargs)

    def to_internal_value(self, data: Any) -> float:
        if isinstance(data, bool):
            self.fail("invalid")
        try:
            number = super().to_internal_value(data)
        except OverflowError:
            self.fail("not_finite")
        if not math.isfinite(number) or abs(number) > LARGEST:
            self.fail("not_finite")
        return number


class Whole(serializers.IntegerField):
    def __init__(self, **kwargs: Any) -> None:
        super().__init__(**{"min_value": -int(LARGEST), "max_value": int(LARGEST)} | kwargs)

    def to_internal_value(self, data: Any) -> int:
        if isinstance(data, bool) or (isinstance(data, float) and not math.isfinite(data)):
            self.fail("invalid")
        return super().to_internal_value(data)


class Money(serializers.DecimalField):
    """An amount in the shop's currency."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(max_digits=8, decimal_places=2, min_value=0, **kwargs)

    def validate_empty_values(self, data: Any) -> tuple[bool, Any]:
        # A decimal field takes a blank text for null.
        return serializers.Field.validate_empty_values(self, data)


class Text(serializers.CharField):
    """Text only: a number in the place of a note would otherwise be stored as one."""

    default_error_messages = {"invalid": gettext_lazy("Give text, in quotes.")}

    def to_internal_value(self, data: Any) -> str:
        if not isinstance(data, str):
            self.fail("invalid")
        return super().to_internal_value(data)


class Id(serializers.PrimaryKeyRelatedField):
    """A row by its id."""

    default_error_messages = {
        "incorrect_type": gettext_lazy("Give the id of a {what}: a whole number from its list."),
        "does_not_exist": gettext_lazy(
            "No {what} that can be given here has the id {pk_value}. Look at the list of them."
        ),
    }

    def fail(self, key: str, **details: Any) -> Any:
        return super().fail(key, what=self.get_queryset().model._meta.verbose_name, **details)


class Moment(serializers.DateTimeField):
    """A time with its offset from UTC; returned in UTC. A time without an offset is refused."""

    default_error_messages = {
        "no_offset": gettext_lazy("Give the time with its offset from UTC, such as 2026-01-31T08:00:00Z."),
        "year": gettext_lazy("Look at the year; it must lie between {first} and {last}."),
    }

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(default_timezone=UTC, **kwargs)

    def enforce_timezone(self, value: datetime) -> datetime:
        if value.tzinfo is None:
            self.fail("no_offset")
        value = super().enforce_timezone(value)
        if not YEARS[0] <= value.year < YEARS[1]:
            self.fail("year", first=YEARS[0], last=YEARS[1])
        return value


TIME_OF_DAY = r"([01]\d|2[0-3]):[0-5]\d(:[0-5]\d)?"


# OpenAPI's format "time" has an offset (RFC 3339), which a time on the shop's clock has not.
@extend_schema_field({"type": "string", "pattern": f"^{TIME_OF_DAY}$", "example": "07:00"})
class TimeOfDay(serializers.TimeField):
    """A time on the clock of the shop. One with an offset is refused."""

    default_error_messages = {
        "invalid": gettext_lazy(
            "Give a time on the shop's clock, such as 07:30, without an offset from UTC."
        ),
    }

    def to_internal_value(self, value: Any) -> time:
        if not isinstance(value, str) or not re.fullmatch(TIME_OF_DAY, value, re.ASCII):
            self.fail("invalid")
        return super().to_internal_value(value)


@extend_schema_field({"type": "string", "maxLength": 300, "example": "7KD-4QM"})
class SpoolCode(serializers.RelatedField):
    """A spool by its label's code, in any case, with dashes or spaces or the label's whole address."""

    default_error_messages = {
        "invalid": gettext_lazy("Give the code on the label as text."),
        "unknown": gettext_lazy("No spool has the code {code}. Look at the label again."),
    }

    def get_queryset(self) -> QuerySet[Spool]:
        return Spool.objects.select_related("feedstock__polymer", "feedstock__maker", "feedstock__filler")

    def to_internal_value(self, data: Any) -> Spool:
        if not isinstance(data, str):
            self.fail("invalid")
        code = codes.normalise(data)
        spool: Any = self.get_queryset().filter(code=code).first()
        if spool is None:
            self.fail("unknown", code=codes.pretty(code))
        return spool

    def to_representation(self, value: Spool) -> str:
        return value.code


# Bases have comments instead of docstrings: the schema would show those as each derived shape's description.
# Refuses fields that it does not know: a misspelt optional one would otherwise be lost in silence.
class StrictSerializer(serializers.Serializer):
    def to_internal_value(self, data: Any) -> Any:
        if isinstance(data, Mapping):
            unknown = [str(name) for name in data if name not in self.fields]
            if unknown:
                field_names = ", ".join(name for name, field in self.fields.items() if not field.read_only)
                message = _("There is no such field here. There are: {fields}.").format(fields=field_names)
                reasons = {name[:MOST_LETTERS]: [message] for name in unknown[:MOST_UNKNOWN]}
                if len(unknown) > MOST_UNKNOWN:
                    reasons[""] = [
                        f"{len(unknown):,} fields are not known here; the first {MOST_UNKNOWN} are named."
                    ]
                raise serializers.ValidationError(reasons)
        return super().to_internal_value(data)


# Rows that people add and correct, checked by the model itself (its validators and constraints).
class ModelSerializer(StrictSerializer, serializers.ModelSerializer):
    serializer_field_mapping = serializers.ModelSerializer.serializer_field_mapping | {
        models.FloatField: Number,
        models.IntegerField: Whole,
        models.PositiveIntegerField: Whole,
        models.DateTimeField: Moment,
        models.CharField: Text,
        models.TextField: Text,
    }
    serializer_related_field = Id

    @transaction.atomic
    def save_checked(self, row: Any) -> Any:
        """Check and store a new or corrected row."""
        count_edit(row)
        row.full_clean()
        row.save()
        return row

    def create(self, validated_data: dict[str, Any]) -> Any:
        return self.save_checked(self.Meta.model(**validated_data))

    def update(self, instance: Any, validated_data: dict[str, Any]) -> Any:
        for name, value in validated_data.items():
            setattr(instance, name, value)
        return self.save_checked(instance)


def parse(serializer: type[serializers.BaseSerializer], data: Any) -> Any:
    """The values of a request's body or query, checked for their form. Raises DRF's ValidationError."""
    parsed = serializer(data=data)
    parsed.is_valid(raise_exception=True)
    return parsed.validated_data
