"""Rows that people edit, with a version that counts the edits."""

from typing import TypeVar

from django.db import models


class Versioned(models.Model):
    """A row that people edit. An edit that rests on an older version is refused; see spools.edits.versions."""

    version = models.PositiveIntegerField(default=1, editable=False)

    class Meta:
        abstract = True


RowT = TypeVar("RowT", bound=models.Model, covariant=True)


class RetirableQuerySet(models.QuerySet[RowT]):
    def in_use(self) -> "RetirableQuerySet[RowT]":
        """The rows that are offered as targets."""
        return self.filter(retired_at=None)


class Retirable(Versioned):
    """A row that goes out of use and may come back: it stays in history and is no longer offered."""

    retired_at = models.DateTimeField("out of use since", null=True, blank=True, editable=False)

    objects = RetirableQuerySet.as_manager()

    class Meta:
        abstract = True
