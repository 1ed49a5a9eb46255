"""The form of a spool, or of several alike, as they come."""

from typing import Any

from django import forms
from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _

from pages.frame.forms import CatalogueChoice, WhenField, number
from pages.spools.forms import CAP_HELP, PlaceChoice, price_field
from spools import limits
from spools.inventory.receiving import GUESSED_C, GUESSED_RH_PCT
from spools.models import CoreKind, Feedstock, Place, Spool
from spools.refusals import refusal


class NewPlaceForm(forms.Form):
    """A place that is added together with what comes into it. Kind first; the rest is guessed where it is left empty."""

    KINDS = (Place.Kind.SHELF, Place.Kind.DRY_BOX, Place.Kind.BAG)

    new_kind = forms.ChoiceField(
        label=_("A new place is a"),
        required=False,
        choices=lambda: [("", _("no new place")), *((kind.value, kind.label) for kind in NewPlaceForm.KINDS)],
    )
    new_name = forms.CharField(label=_("Its name"), max_length=60, required=False)
    new_c = number(_("Temperature there"), "°C", required=False, limits=limits.TEMPERATURE_C)
    new_rh_pct = number(_("Humidity there"), _("% RH"), required=False, limits=limits.RH_PCT)

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        help_text = _("A guess until you know or measure it. Empty: {guess}.")
        self.fields["new_c"].help_text = help_text.format(guess=f"{GUESSED_C:g} °C")
        self.fields["new_rh_pct"].help_text = _(
            "A guess until you know or measure it. Empty: 50 % on a shelf or in bags, 20 % in a dry box."
        )

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if data.get("new_name") and not data.get("new_kind"):
            self.add_error("new_kind", refusal("required", gettext("Choose the kind of the new place.")))
        if data.get("new_kind") and not data.get("new_name") and "new_name" not in self.errors:
            self.add_error("new_name", refusal("required", gettext("Give the new place a name.")))
        return data

    def build_place(self) -> Place | None:
        """The new place, not stored; None: none is wanted."""
        data = self.cleaned_data
        if not data.get("new_kind"):
            return None
        temperature_c, rh_pct = data.get("new_c"), data.get("new_rh_pct")
        return Place(
            name=data["new_name"],
            kind=data["new_kind"],
            assumed_temperature_c=GUESSED_C if temperature_c is None else temperature_c,
            assumed_rh_pct=GUESSED_RH_PCT[data["new_kind"]] if rh_pct is None else rh_pct,
        )


class ReceiveForm(NewPlaceForm):
    """A spool as it comes, or several alike. A common reel fills in what is left empty."""

    feedstock = forms.ModelChoiceField(
        Feedstock.objects.in_use().select_related("maker", "polymer"),
        label=_("Feedstock"),
        empty_label=_("Choose"),
    )
    count = forms.IntegerField(
        label=_("How many spools, all alike"),
        required=False,
        initial=1,
        widget=forms.TextInput(attrs={"inputmode": "numeric", "autocomplete": "off"}),
        help_text=_("Each gets a code and a label of its own."),
    )
    core_kind = CatalogueChoice(
        CoreKind.objects.all(),
        label=_("Reel"),
        required=False,
        empty_label=_("another one, with the numbers below"),
        help_text=_("Its mass, size, material and usual amount are used for empty fields below."),
    )
    sealed = forms.BooleanField(label=_("Came in an unbroken bag"), required=False, initial=True)
    opened = forms.BooleanField(
        label=_("The bag is opened now"),
        required=False,
        help_text=_(
            "Otherwise it counts as unopened until the spool is used, or its page states the opening."
        ),
    )
    net_mass_g = number(
        _("Filament by the label"),
        "g",
        required=False,
        limits=limits.NET_G,
        help_text=_("Empty and without a weighing: the usual amount for the chosen reel."),
    )
    gross_g = number(
        _("First weighing, with its reel"),
        "g",
        required=False,
        limits=limits.GROSS_G,
        help_text=_("A weighing narrows the amount. Take the bag off first."),
    )
    resolution_g = number(
        _("Scale's smallest step"), "g", required=False, initial=1, limits=limits.SCALE_STEP_G
    )
    masses_confirmed = forms.BooleanField(label=_("The masses are right as entered"), required=False)
    card = forms.ChoiceField(
        label=_("Humidity card in the bag"),
        choices=Spool.Card,
        required=False,
        widget=forms.RadioSelect,
        initial=Spool.Card.NOT_LOOKED,
    )
    batch = forms.CharField(label=_("Batch"), max_length=60, required=False)
    price = price_field()
    when = WhenField(label=_("Received"))
    core_mass_g = number(_("Empty reel"), "g", required=False, limits=limits.CORE_G)
    core_mass_known = forms.BooleanField(
        label=_("This mass was weighed or is printed on the reel"), required=False
    )
    core_material = forms.ChoiceField(
        label=_("Reel's material"),
        choices=[("", _("as the chosen reel")), *Spool.CoreMaterial.choices],
        required=False,
    )
    core_cap_c = number(
        _("Hottest that the reel may get"),
        "°C",
        required=False,
        limits=limits.CORE_CAP_C,
        help_text=CAP_HELP,
    )
    core_radius_mm = number(
        _("Radius of the core, under the filament"), "mm", required=False, limits=limits.CORE_RADIUS_MM
    )
    width_mm = number(_("Width between the flanges"), "mm", required=False, limits=limits.WIDTH_MM)

    BASICS = ["feedstock", "count", "core_kind", "sealed", "opened", "place"]
    NEW_PLACE = ["new_kind", "new_name", "new_c", "new_rh_pct"]
    REEL = ["core_mass_g", "core_mass_known", "core_material", "core_cap_c", "core_radius_mm", "width_mm"]
    # Of the form alone.
    NOT_OF_A_SPOOL = {"core_kind", "place", "when", "count", *NEW_PLACE}

    def __init__(self, *args: Any, may_add_place: bool = False, **options: Any) -> None:
        super().__init__(*args, **options)
        places = Place.objects.in_use().exclude(kind__in=[Place.Kind.DRYER, Place.Kind.PRINTER])
        self.has_places = places.exists()
        self.fields["place"] = PlaceChoice(places, gettext("Goes to"))
        if may_add_place:
            self.fields["place"].required = False
        else:
            for name in self.NEW_PLACE:
                del self.fields[name]

    def ask_about_masses(self) -> bool:
        """Whether a mass looks like the other one, so that somebody has to confirm it."""
        codes = {error.code for errors in self.errors.as_data().values() for error in errors}
        return bool(codes & {"net_as_gross", "gross_as_net"}) or bool(self.data.get("masses_confirmed"))

    def basics(self) -> list[forms.BoundField]:
        return [self[name] for name in self.BASICS]

    def new_place(self) -> list[forms.BoundField]:
        return [self[name] for name in self.NEW_PLACE if name in self.fields]

    def new_place_open(self) -> bool:
        """Whether a new place should be in sight: there is none yet, one was begun, or one is wrong."""
        return not self.has_places or any(
            field.errors or self.data.get(field.name) for field in self.new_place()
        )

    def seldom(self) -> list[forms.BoundField]:
        hidden = {*self.BASICS, *self.NEW_PLACE, *self.REEL}
        hidden |= set() if self.ask_about_masses() else {"masses_confirmed"}
        return [field for field in self if field.name not in hidden]

    def seldom_open(self) -> bool:
        return any(field.errors for field in self.seldom()) or self.ask_about_masses()

    def reel(self) -> list[forms.BoundField]:
        return [self[name] for name in self.REEL]

    def reel_open(self) -> bool:
        """Whether the reel's own numbers should be in sight: one was given, or one is wrong."""
        return any(field.errors or field.value() for field in self.reel())

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        data |= {
            "count": data.get("count") or 1,
            "resolution_g": data.get("resolution_g") or 1.0,
            "card": data.get("card") or Spool.Card.NOT_LOOKED,
        }
        if "place" not in self.errors and data.get("place") is None and not data.get("new_kind"):
            self.add_error("place", refusal("required", gettext("Choose a place, or add one below.")))
        if data.get("place") is not None and data.get("new_kind"):
            self.add_error(
                "new_kind", refusal("two_places", gettext("Choose a place above, or add this one, not both."))
            )
        self._fill_from_reel(data)
        return data

    def _fill_from_reel(self, data: dict[str, Any]) -> None:
        kind: CoreKind | None = data.get("core_kind")
        if kind is not None:
            if data.get("net_mass_g") is None and data.get("gross_g") is None:
                data["net_mass_g"] = kind.net_mass_g
            if data.get("core_mass_g") is None:
                data["core_mass_known"] = False
                data |= {"core_mass_g": kind.mass_g, "core_mass_band_g": kind.mass_band_g}
            data["core_material"] = data.get("core_material") or kind.material
            for name in ("core_radius_mm", "width_mm"):
                if data.get(name) is None:
                    data[name] = getattr(kind, name)
            return
        data["core_material"] = data.get("core_material") or Spool.CoreMaterial.UNKNOWN
        for name in ("core_radius_mm", "width_mm"):
            if name not in self.errors and data.get(name) is None:
                self.add_error(
                    name, refusal("reel_size_missing", gettext("Measure it, or choose a common reel above."))
                )
