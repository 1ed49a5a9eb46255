"""Forms that edit a row which somebody else may have edited since the form was opened."""

from collections.abc import Iterable
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils.translation import gettext as _

from spools.models.versions import Versioned

EDITED_MEANWHILE = "edited_meanwhile"


class VersionField(forms.IntegerField):
    """The version of the row when the form was opened."""

    widget = forms.HiddenInput

    def __init__(self, **options: Any) -> None:
        super().__init__(required=False, **options)


def require_latest_version(form: forms.BaseForm, row: Versioned) -> None:
    """Refuses a form that rests on an older version of its row, and names the present values.

    The inputs stay in the form. Sent once more, they replace the present values.
    """
    if row._state.adding:
        form.cleaned_data.pop("read_version", None)
    elif renew_version(form, "read_version", row.version):
        raise edited_meanwhile(
            f"{form[name].label} {_display(row, name)}" for name in form.changed_data if hasattr(row, name)
        )


def renew_version(form: forms.BaseForm, name: str, present: int) -> bool:
    """Whether a form was opened with an older version than the present one, which is put in its place.

    name: the field of the version, which is taken out of the cleaned data.
    """
    if form.cleaned_data.pop(name, None) in (None, present):
        return False
    data: Any = form.data.copy()  # type: ignore[attr-defined]
    data[form.add_prefix(name)] = present
    form.data = data
    return True


def edited_meanwhile(present: Iterable[str]) -> ValidationError:
    """The refusal of a form that rests on older values. present: those that are stored now, with their labels."""
    return ValidationError(
        _(
            "Somebody else changed this meanwhile. Your values are still in the form below, but not saved. "
            "Stored now: {values}. Save again to replace that."
        ).format(values="; ".join(present) or _("the same values")),
        code=EDITED_MEANWHILE,
    )


def _display(row: Versioned, name: str) -> str:
    """The present value of a field as people read it."""
    named = getattr(row, f"get_{name}_display", None)
    value = getattr(row, name) if named is None else named()
    return _("empty") if value in (None, "") else f"“{value}”"


class VersionedForm(forms.ModelForm):
    """A form of a row with a version."""

    read_version = VersionField()

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self.initial["read_version"] = self.instance.version

    def clean(self) -> dict[str, Any]:
        # The instance still has the stored values: those of the form are set after this.
        data = super().clean() or {}
        require_latest_version(self, self.instance)
        return data
