"""Helpers that all forms share."""

from collections.abc import Callable
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from django import forms
from django.core.exceptions import ValidationError
from django.db import models
from django.http import HttpRequest, QueryDict
from django.utils import timezone
from django.utils.functional import lazy
from django.utils.text import format_lazy
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from background.logs import current_request
from spools.edits.tables import THOUSANDS_OR_DECIMALS
from spools.limits import Limits
from spools.refusals import refusal

if TYPE_CHECKING:
    from django.utils.functional import _StrPromise

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
    request = current_request.get()
    if request is not None:
        # Its former values are the way back from an edit, see undo.
        request.applied_form = form  # type: ignore[attr-defined]
    return True


def show_refusal(form: forms.BaseForm, error: ValidationError) -> None:
    """Put a domain function's refusal beside the inputs that it speaks of, else above the form."""
    by_field = error.error_dict.items() if hasattr(error, "error_dict") else [("", error.error_list)]
    for name, errors in by_field:
        field = name if name in form.fields else RENAMED.get(name)
        form.add_error(field if field in form.fields else None, errors)


# Of an hour that the end of summer time has twice: which of the two.
HOURS = [("0", gettext_lazy("The first, still summer time")), ("1", gettext_lazy("The second, winter time"))]
HOUR_MARK = "|"


class WhenInput(forms.DateTimeInput):
    """A date and time; where the clock showed that time twice, with the choice of the hour beside it."""

    def __init__(self) -> None:
        super().__init__(attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M")

    def value_from_datadict(self, data: Any, files: Any, name: str) -> Any:
        value, hour = super().value_from_datadict(data, files, name), data.get(f"{name}_hour")
        return f"{value}{HOUR_MARK}{hour}" if value and hour in dict(HOURS) else value

    def render(self, name: str, value: Any, attrs: Any = None, renderer: Any = None) -> Any:
        hour = ""
        if isinstance(value, str):
            value, __, hour = value.partition(HOUR_MARK)
            naive = _naive(value)
        else:
            naive, hour = value, "" if value is None else str(value.fold)
        entry = super().render(name, value, attrs, renderer)
        if naive is None or not _was_twice(naive):
            return entry
        choice = forms.Select(
            {"aria-label": _("Which of the two hours"), "data-note": "which_hour"},
            [("", _("Which of the two hours?")), *HOURS],
        )
        return entry + choice.render(f"{name}_hour", hour, None, renderer)


class WhenField(forms.DateTimeField):
    """When a fact happened, in the shop's zone. Empty: now (None).

    A time that the clock showed twice is asked about; one that it skipped is refused.
    """

    def __init__(self, **options: Any) -> None:
        super().__init__(
            required=options.pop("required", False),
            label=options.pop("label", gettext_lazy("When")),
            help_text=options.pop("help_text", gettext_lazy("Empty: now.")),
            widget=WhenInput(),
            **options,
        )

    def to_python(self, value: Any) -> datetime | None:
        if not isinstance(value, str):
            return super().to_python(value)
        text, __, hour = value.partition(HOUR_MARK)
        naive = _naive(text.strip())
        if naive is None or naive.tzinfo is not None:
            return super().to_python(text)
        if not _was_twice(naive):
            if _was_skipped(naive):
                raise refusal(
                    "no_such_hour",
                    _(
                        "The clocks skipped {time} on that day, when summer time began. Give another time."
                    ).format(time=f"{naive:%H:%M}"),
                )
            return super().to_python(text)
        if not hour:
            raise refusal(
                "which_hour",
                _(
                    "The clocks showed {time} twice on that day, when summer time ended. Choose the hour."
                ).format(time=f"{naive:%H:%M}"),
            )
        # In UTC: Python compares no time of such an hour with one of another zone.
        return naive.replace(fold=int(hour), tzinfo=timezone.get_current_timezone()).astimezone(UTC)


def _naive(text: str) -> datetime | None:
    try:
        return datetime.fromisoformat(text)
    except ValueError:
        return None


def _offsets(naive: datetime) -> list[Any]:
    zone = timezone.get_current_timezone()
    try:
        return [naive.replace(fold=fold, tzinfo=zone).utcoffset() for fold in (0, 1)]
    except OverflowError:
        return [None, None]


def _was_twice(naive: datetime) -> bool:
    first, second = _offsets(naive)
    return first is not None and first > second


def _was_skipped(naive: datetime) -> bool:
    first, second = _offsets(naive)
    return first is not None and first < second


NO_NUMBER = gettext_lazy("Enter a number, such as 1.5 or 1,5.")


class _WithComma:
    """Of a number field: accepts a comma before the decimals, too."""

    def to_python(self, value: Any) -> Any:
        if isinstance(value, str):
            text = value.strip()
            if THOUSANDS_OR_DECIMALS.fullmatch(text):
                whole, point = text.replace(",", ""), text.replace(",", ".")
                raise refusal(
                    "comma_unclear",
                    _("{text} may mean {whole} or {point}. Write one of these.").format(
                        text=text, whole=whole, point=point
                    ),
                )
            if text.count(",") == 1 and "." not in text:
                value = text.replace(",", ".")
        return super().to_python(value)  # type: ignore[misc]


class NumberField(_WithComma, forms.FloatField):
    pass


class PriceField(_WithComma, forms.DecimalField):
    pass


NUMBER_FIELDS = {models.FloatField: NumberField, models.DecimalField: PriceField}


def with_point(column: models.Field, **options: Any) -> forms.Field | None:
    """For a Meta's formfield_callback: number fields accept both signs before decimals."""
    number_field = NUMBER_FIELDS.get(type(column))
    if number_field is None:
        return column.formfield(**options)
    field = column.formfield(form_class=number_field, **options | {"widget": _number_input()})
    if field is not None:
        field.error_messages["invalid"] = NO_NUMBER
    return field


def _number_input() -> forms.TextInput:
    """A number input of a browser would refuse the sign that its own language does not write."""
    return forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"})


_refuse_lazily = lazy(
    lambda limits: limits.refuse("\0").replace("%", "%%").replace("\0", "%(show_value)s"), str
)


def number(
    label: "str | _StrPromise",
    unit: "str | _StrPromise" = "",
    *,
    limits: Limits | None = None,
    **options: Any,
) -> NumberField:
    """A number input whose label names its unit; phones show a number pad for it."""
    error_messages: dict[str, Any] = {"invalid": NO_NUMBER}
    if limits is not None:
        options |= limits.bounds
        error_messages |= dict.fromkeys(limits.bounds, _refuse_lazily(limits))
    label = format_lazy("{}, {}", label, unit) if unit else label
    return NumberField(label=label, widget=_number_input(), error_messages=error_messages, **options)


class CatalogueChoice(forms.ModelChoiceField):
    """Rows of the catalogue by their names, in the active language."""

    def label_from_instance(self, row: models.Model) -> str:
        return _(str(row))
