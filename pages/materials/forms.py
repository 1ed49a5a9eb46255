"""Forms of feedstocks and coupon tests."""

from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from pages.frame.forms import WhenField, number, with_point
from pages.frame.numbers import labelled
from pages.frame.versions import VersionedForm
from spools import limits
from spools.models import Feedstock


class CouponForm(forms.Form):
    """The result of a coupon test: a loop of a feedstock after an hour in the heat."""

    temperature_c = number(_("It was for 1 h at"), "°C", limits=limits.COUPON_C)
    passed = forms.ChoiceField(
        label=_("After that its turns"),
        choices=[("yes", _("part freely and show no flats")), ("no", _("stick, or show flats"))],
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
            "polymer": _("Polymer"),
            "colour": _("Colour"),
            "filler": _("Filler"),
            "data_sheet": _("Data sheet"),
            "name": _("Product name"),
            "diameter_mm": _("Diameter, mm"),
            "filler_mass_fraction": _("Filler, share of the mass (0.15 is 15 %)"),
            "reorder_point_g": _("Reorder point, g"),
            **{name: labelled(name) for name in Feedstock.OVERRIDES},
        }
        help_texts = {"data_sheet": _("Title and date of the data sheet.")}

    maker_name = forms.CharField(
        label=_("Maker"),
        max_length=80,
        widget=forms.TextInput(attrs={"list": "makers"}),
        help_text=_("A new name adds the maker."),
    )
    field_order = ["maker_name"]

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        if self.instance.pk:
            self.initial.setdefault("maker_name", self.instance.maker.name)

    def has_own_values(self) -> bool:
        """Whether one of them is stated or refused."""
        return any(field.value() not in (None, "") or field.errors for field in self.own_values())

    def own_values(self) -> list[forms.BoundField]:
        """The inputs that override the polymer's numbers."""
        return [self[name] for name in Feedstock.OVERRIDES]

    def basics(self) -> list[forms.BoundField]:
        return [self[name] for name in self.fields if name not in Feedstock.OVERRIDES]
