"""Forms of places and materials, and what all forms share."""

from collections.abc import Callable
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.db import models
from django.http import HttpRequest, QueryDict

from pages.frame.numbers import labelled
from pages.frame.versions import VersionedForm
from spools import limits
from spools.limits import Limits
from spools.models import DesiccantCharge, Feedstock, Place
from spools.physics.drybox import DAY_S, half_time_s
from spools.refusals import refusal

# Where a domain function's name for an input differs from the form's.
RENAMED = {"at": "when", "time": "when", "start": "when", "reason": "override_reason"}


def post_data(request: HttpRequest) -> QueryDict | None:
    """What a form is bound to: the inputs of a POST, nothing before."""
    return request.POST if request.method == "POST" else None


def apply(form: forms.BaseForm, act: Callable[[dict[str, Any]], Any]) -> bool:
    """Call act(cleaned data) of a valid form. A refusal is put on the form's fields; False then."""
    if not form.is_valid():
        return False
    try:
        act(form.cleaned_data)
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
            required=False,
            label=options.pop("label", "When"),
            help_text=options.pop("help_text", "Empty: now."),
            widget=forms.DateTimeInput(attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M"),
            **options,
        )


NO_NUMBER = "Enter a number, with a point before its decimals, such as 1.5."


def with_point(column: models.Field, **options: Any) -> forms.Field | None:
    """For a Meta's formfield_callback: what is no number is told how to write one."""
    field = column.formfield(**options)
    if isinstance(field, forms.FloatField):
        field.error_messages["invalid"] = NO_NUMBER
    return field


def number(
    label: str, unit: str = "", *, step: str = "any", limits: Limits | None = None, **options: Any
) -> forms.FloatField:
    """A number input whose label names its unit; phones show a number pad for it."""
    widget = forms.NumberInput(attrs={"step": step, "inputmode": "decimal"})
    said = {"invalid": NO_NUMBER}
    if limits is not None:
        options |= limits.bounds
        refusal = limits.sentence.replace("%", "%%") + "; got %(show_value)s."
        said |= dict.fromkeys(limits.bounds, refusal)
    label = f"{label}, {unit}" if unit else label
    return forms.FloatField(label=label, widget=widget, error_messages=said, **options)


class PlaceForm(VersionedForm):
    class Meta:
        model = Place
        formfield_callback = with_point
        fields = [
            "name",
            "kind",
            "assumed_temperature_c",
            "assumed_rh_pct",
            "room",
            "moved_air",
            "max_set_point_c",
            "set_point_error_c",
            "spool_capacity",
            "volume_l",
            "half_time_h",
            "limit_rh_pct",
        ]
        labels = {
            "assumed_temperature_c": "Assumed temperature, °C",
            "assumed_rh_pct": "Assumed humidity, % RH",
            "room": "Room that it stands in",
            "spool_capacity": "Spools that fit into a dryer at once",
            "volume_l": "Volume of a dry box, litres",
            "half_time_h": "Half-time of a dry box, h",
            "limit_rh_pct": "Humidity limit of a dry box, % RH",
        }
        help_texts = {
            "assumed_temperature_c": "Counts while there is no reading of the last 6 hours.",
            "room": "For a dryer, which takes in its air, and for a dry box, into which it leaks. Empty: the "
            "assumed air above stands for a dryer's room, and a dry box is not computed.",
            "volume_l": "With half-time, room and desiccant its air is computed while nothing is read.",
            "half_time_h": "Without desiccant: hours until it is half way from dry to the room's humidity.",
            "limit_rh_pct": "Above it the desiccant is regenerated. Empty: as it was, 20 % for a new box.",
            "max_set_point_c": "For a dryer: the hottest it can be set to.",
            "set_point_error_c": "For a dryer: how far it may be off what it shows.",
            "spool_capacity": "Empty: not told, and the drying plan of the week takes it as one.",
            "moved_air": "Moved air dries faster.",
        }

    air_changes_day = number(
        "Or air changes of a dry box, a day",
        required=False,
        limits=limits.AIR_CHANGES_DAY,
        help_text="Instead of the half-time. Cases of museums: 0.1 very well sealed, 0.3 well, 1 moderately "
        "(the AIC's classes of seals).",
    )
    field_order = ["name", "kind", *Meta.fields[2:10], "air_changes_day"]

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self.fields["limit_rh_pct"].required = False

    def clean_limit_rh_pct(self) -> float:
        given = self.cleaned_data["limit_rh_pct"]
        return self.instance.limit_rh_pct if given is None else given

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        air_changes_day = data.get("air_changes_day")
        if air_changes_day and data.get("half_time_h"):
            raise refusal(
                "half_time_or_air_changes",
                "Give the half-time or the air changes, not both.",
                "air_changes_day",
            )
        if air_changes_day:
            data["half_time_h"] = half_time_s(air_changes_day / DAY_S) / 3600
        return data

    def clean_kind(self) -> str:
        kind = self.cleaned_data["kind"]
        was = self.instance.kind
        if self.instance.pk and Place.Kind.PRINTER in (kind, was) and kind != was:
            raise refusal("place_of_printer", "A printer's place stays one. Add another place instead.")
        if not self.instance.pk and kind == Place.Kind.PRINTER:
            raise refusal(
                "place_of_printer", "Add the printer on the machines page; its place comes with it."
            )
        return kind


class DesiccantForm(forms.Form):
    kind = forms.ChoiceField(label="Kind", choices=DesiccantCharge.Kind)
    dry_mass_g = number(
        "Mass when dry", "g", limits=limits.DESICCANT_G, help_text="0: the desiccant was taken out."
    )
    condition = forms.ChoiceField(
        label="Condition",
        choices=DesiccantCharge.Condition,
        widget=forms.RadioSelect,
        help_text="Unknown counts as spent: in equilibrium with the room.",
    )
    regenerated_c = number(
        "Regenerated at",
        "°C",
        required=False,
        limits=limits.REGENERATION_C,
        help_text="Where it was regenerated.",
    )
    when = WhenField()
    note = forms.CharField(label="Note", max_length=200, required=False)

    charge: DesiccantCharge


class ReadingForm(forms.Form):
    temperature_c = number("Temperature", "°C", limits=limits.TEMPERATURE_C)
    rh_pct = number("Humidity", "% RH", limits=limits.RH_PCT)
    when = WhenField()


class ReadingsFileForm(forms.Form):
    file = forms.FileField(
        label="CSV file",
        help_text="Columns time, temperature_c, rh_pct; times like 2026-01-31 08:00, in the shop's zone.",
    )


class CouponForm(forms.Form):
    """What a loop of a feedstock was like after an hour in the heat."""

    temperature_c = number("It was for 1 h at", "°C", limits=limits.COUPON_C)
    passed = forms.ChoiceField(
        label="After that its turns",
        choices=[("yes", "part freely and show no flats"), ("no", "stick, or show flats")],
        widget=forms.RadioSelect,
    )
    when = WhenField()


class FeedstockForm(VersionedForm):
    class Meta:
        model = Feedstock
        formfield_callback = with_point
        fields = [
            "polymer",
            "name",
            "colour",
            "diameter_mm",
            "filler",
            "filler_mass_fraction",
            "reorder_point_g",
            "data_sheet",
            *Feedstock.OVERRIDES,
        ]
        labels = {
            "name": "Product name",
            "diameter_mm": "Diameter, mm",
            "filler_mass_fraction": "Filler, share of the mass (0.15 is 15 %)",
            "reorder_point_g": "Reorder point, g",
            **{name: labelled(name) for name in Feedstock.OVERRIDES},
        }

    maker_name = forms.CharField(
        label="Maker",
        max_length=80,
        widget=forms.TextInput(attrs={"list": "makers"}),
        help_text="A new name adds the maker.",
    )
    field_order = ["maker_name"]

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        if self.instance.pk:
            self.initial.setdefault("maker_name", self.instance.maker.name)

    def own_values(self) -> list[forms.BoundField]:
        """The inputs that override the polymer's numbers."""
        return [self[name] for name in Feedstock.OVERRIDES]

    def basics(self) -> list[forms.BoundField]:
        return [self[name] for name in self.fields if name not in Feedstock.OVERRIDES]
