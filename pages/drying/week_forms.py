"""Forms of the drying plan of the week."""

from typing import TYPE_CHECKING, Any

from django import forms
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from pages.frame.forms import number
from spools import limits
from spools.codes import pretty
from spools.drying.week.slots import StaffedHours
from spools.models import Feedstock, Place, PlannedDrying, Polymer, Spool

if TYPE_CHECKING:
    from django.utils.functional import _StrPromise


def _moment(label: "str | _StrPromise", **options: Any) -> forms.DateTimeField:
    """A field for a time in the shop's zone."""
    widget = forms.DateTimeInput(attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M")
    return forms.DateTimeField(label=label, widget=widget, **options)


class MaterialField(forms.ChoiceField):
    """A choice of the materials, products and spools in stock."""

    def __init__(self, **options: Any) -> None:
        in_use = Spool.objects.filter(ended_at=None).select_related("feedstock__maker")
        groups: list[tuple[str, list[Any]]] = [
            (
                _("Any spool of a material"),
                list(Polymer.objects.filter(feedstocks__spools__in=in_use).distinct()),
            ),
            (
                _("Any spool of a product"),
                list(Feedstock.objects.filter(spools__in=in_use).select_related("maker").distinct()),
            ),
            (_("This very spool"), list(in_use)),
        ]
        self.rows = {f"{type(row).__name__.lower()}-{row.pk}": row for _, rows in groups for row in rows}
        super().__init__(
            choices=[
                ("", _("Choose")),
                *(
                    (title, [(f"{type(row).__name__.lower()}-{row.pk}", _named(row)) for row in rows])
                    for title, rows in groups
                    if rows
                ),
            ],
            **options,
        )

    def clean(self, value: Any) -> Any:
        return self.rows[super().clean(value)]


def _named(row: Spool | Feedstock | Polymer) -> str:
    return f"{pretty(row.code)} {row.feedstock}" if isinstance(row, Spool) else str(row)


class PrintRequestForm(forms.Form):
    """A new print request."""

    mass_g = number(gettext_lazy("Filament"), "g", limits=limits.NEEDED_G)
    due_at = _moment(
        gettext_lazy("Good by"), help_text=gettext_lazy("Within a week from now: when the print is to start.")
    )
    name = forms.CharField(label=gettext_lazy("Name of the print"), max_length=80, required=False)
    urgent = forms.BooleanField(
        label=gettext_lazy("Urgent"),
        required=False,
        help_text=gettext_lazy("Where not all can be in time, its lateness counts four times."),
    )

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self.fields["material"] = MaterialField(label=gettext_lazy("Material"))
        self.order_fields(["material"])


def _clock(label: "str | _StrPromise") -> forms.TimeField:
    return forms.TimeField(label=label, widget=forms.TimeInput(attrs={"type": "time"}, format="%H:%M"))


class StaffedHoursForm(forms.Form):
    """The hours with somebody there."""

    staffed_from = _clock(gettext_lazy("Somebody is there from"))
    staffed_to = _clock(gettext_lazy("until"))

    def __init__(self, data: Any = None, *, hours: StaffedHours) -> None:
        super().__init__(data, initial={"staffed_from": hours.opens, "staffed_to": hours.closes})
        # As the summary above the fields names them.
        self.opens, self.closes = f"{hours.opens:%H:%M}", f"{hours.closes:%H:%M}"

    def hours(self) -> StaffedHours:
        return StaffedHours(self.cleaned_data["staffed_from"], self.cleaned_data["staffed_to"])


class MoveForm(forms.Form):
    """Another time or dryer for a planned drying."""

    dryer = forms.ModelChoiceField(
        Place.objects.in_use().filter(kind=Place.Kind.DRYER), empty_label=None, label=gettext_lazy("Dryer")
    )
    start = _moment(gettext_lazy("Goes in"))
    set_point_c = number(gettext_lazy("Set point"), "°C", limits=limits.SET_POINT_C)

    def __init__(self, data: Any = None, *, planned: PlannedDrying) -> None:
        initial = {
            "dryer": planned.dryer_id,
            "start": planned.start,
            "set_point_c": f"{planned.set_point_c:g}",
        }
        super().__init__(data, initial=initial)
