"""Rows that people edit, with a version that counts the edits."""

from django.db import models


class Versioned(models.Model):
    """A row that people edit. An edit that rests on an older version is refused; see spools.edits.versions."""

    version = models.PositiveIntegerField(default=1, editable=False)

    class Meta:
        abstract = True
