"""Edits of the same row by two people: the second is refused, and nothing of the first is lost."""

from django.core.exceptions import ValidationError
from django.db.models import F
from django.utils.translation import gettext as _

from spools.models.versions import Versioned


class EditedMeanwhile(ValidationError):
    """Somebody else edited the row since it was read. present: the row as it is stored now."""

    def __init__(self, present: Versioned) -> None:
        super().__init__(
            _("Somebody else changed {row} meanwhile. Your changes were not saved.").format(row=present),
            code="edited_meanwhile",
        )
        self.present = present


def count_edit(row: Versioned) -> None:
    """Count an edit of a row that was read before; call it in the transaction that saves the row.

    Raises EditedMeanwhile where the stored version is another than the one that was read. A new row passes.
    """
    if row._state.adding:
        return
    rows = type(row)._default_manager.filter(pk=row.pk)
    if not rows.filter(version=row.version).update(version=F("version") + 1):
        raise EditedMeanwhile(rows.get())
    row.version += 1
