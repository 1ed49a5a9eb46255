"""Helpers that all forms share."""

from collections.abc import Callable
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.db import models
from django.http import HttpRequest, QueryDict

from spools.limits import Limits

# Where a domain function's name for an input differs from the form's.
RENAMED = {"at": "when", "time": "when", "start": "when", "reason": "override_reason", "spool": "material"}


def post_data(request: HttpRequest) -> QueryDict | None:
    """The data to bind a form to: the inputs of a POST, None before."""
    return request.POST if request.method == "POST" else None


def apply(form: forms.BaseForm, action: Callable[[dict[str, Any]], Any]) -> bool:
    """Call action(cleaned data) of a valid form. A refusal is shown at the fields of the form; False then."""
    if not form.is_valid():
        return False
    try:
        action(form.cleaned_data)
    except ValidationError as error:
        show_refusal(form, error)
        return False
    return True


def show_refusal(form: forms.BaseForm, error: ValidationError) -> None:
    """Put a domain function's refusal beside the inputs that it speaks of, else above the form."""
    by_field = error.error_dict.items() if hasattr(error, "error_dict") else [("", error.error_list)]
    for name, errors in by_field:
        field = name if name in form.fields else RENAMED.get(name)
        form.add_error(field if field in form.fields else None, errors)


class WhenField(forms.DateTimeField):
    """When a fact happened, in the shop's zone. Empty: now (None)."""

    def __init__(self, **options: Any) -> None:
        super().__init__(
            required=options.pop("required", False),
            label=options.pop("label", "When"),
            help_text=options.pop("help_text", "Empty: now."),
            widget=forms.DateTimeInput(attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M"),
            **options,
        )


NO_NUMBER = "Enter a number, with a point before its decimals, such as 1.5."


def with_point(column: models.Field, **options: Any) -> forms.Field | None:
    """For a Meta's formfield_callback: an entry that is no number gets a message with the right form."""
    field = column.formfield(**options)
    if isinstance(field, forms.FloatField):
        field.error_messages["invalid"] = NO_NUMBER
    return field


def number(
    label: str, unit: str = "", *, step: str = "any", limits: Limits | None = None, **options: Any
) -> forms.FloatField:
    """A number input whose label names its unit; phones show a number pad for it."""
    widget = forms.NumberInput(attrs={"step": step, "inputmode": "decimal"})
    error_messages = {"invalid": NO_NUMBER}
    if limits is not None:
        options |= limits.bounds
        refusal = limits.sentence.replace("%", "%%") + "; got %(show_value)s."
        error_messages |= dict.fromkeys(limits.bounds, refusal)
    label = f"{label}, {unit}" if unit else label
    return forms.FloatField(label=label, widget=widget, error_messages=error_messages, **options)
