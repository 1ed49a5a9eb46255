"""Forms of what is done with one spool."""

from typing import TYPE_CHECKING, Any

from django import forms
from django.db.models import QuerySet
from django.utils.translation import gettext, pgettext_lazy
from django.utils.translation import gettext_lazy as _

from pages.frame.forms import WhenField, number, with_point
from pages.frame.versions import VersionedForm
from spools import limits
from spools.codes import pretty
from spools.facts import MAX_REASON_LENGTH
from spools.inventory.assumptions import REEL
from spools.models import CoreKind, Ending, Feedstock, Place, Spool
from spools.refusals import refusal

if TYPE_CHECKING:
    from django.utils.functional import _StrPromise


def price_field() -> forms.Field | None:
    """What was paid for a spool; optional."""
    return with_point(Spool._meta.get_field("price"), label=_("Price of the spool"), min_value=0)


class PriceForm(forms.Form):
    price = price_field()


CAP_HELP = _("Only if stated; otherwise the material decides.")


class PlaceChoice(forms.ModelChoiceField):
    """A place as large radio buttons, or as a list to open in one line, named with its kind."""

    def __init__(
        self, places: QuerySet[Place], label: "str | _StrPromise", *, in_a_line: bool = False
    ) -> None:
        if in_a_line:
            super().__init__(places, label=label, empty_label=_("Choose"))
        else:
            super().__init__(places, label=label, widget=forms.RadioSelect, empty_label=None)

    def label_from_instance(self, place: Place) -> str:
        kind = place.get_kind_display()
        return place.name if kind.lower() in place.name.lower() else f"{place.name} ({kind})"


class WithPlaces(forms.Form):
    """A form that asks where the spool goes, without the place where it is."""

    place_label = pgettext_lazy("a place", "To")
    dryers = True

    def __init__(self, *args: Any, current_place: Place | None = None, **options: Any) -> None:
        super().__init__(*args, **options)
        # Where a spool goes on a printer it is loaded.
        places = Place.objects.in_use().exclude(kind=Place.Kind.PRINTER)
        if current_place:
            places = places.exclude(pk=current_place.pk)
        if not self.dryers:
            places = places.exclude(kind=Place.Kind.DRYER)
        self.fields["place"] = PlaceChoice(places, self.place_label)
        self.order_fields(["place"])


class MoveSpoolForm(WithPlaces):
    when = WhenField()
    from_place = forms.ModelChoiceField(Place.objects.all(), required=False, widget=forms.HiddenInput)

    def __init__(self, data: Any, current_place: Place | None) -> None:
        super().__init__(data, current_place=current_place, initial={"from_place": current_place})
        self.current_place = current_place

    def rest_on_present(self) -> None:
        """Sent again, the form rests on the place where the spool is now."""
        if self.is_bound and self.current_place is not None:
            data: Any = self.data
            self.data = data.copy()
            self.data["from_place"] = self.current_place.pk  # type: ignore[index]


class AwayForm(WithPlaces):
    place_label = _("It was in")
    # A stay in a dryer is recorded as a drying run, with its set point.
    dryers = False
    start = WhenField(label=_("From"), help_text="")
    end = WhenField(label=_("Until"), help_text=_("Empty: until its next move."))

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self.fields["start"].required = True


class UnloadForm(WithPlaces):
    when = WhenField()


class OpenForm(forms.Form):
    card = forms.ChoiceField(
        label=_("Humidity card in the bag"),
        choices=Spool.Card,
        widget=forms.RadioSelect,
        initial=Spool.Card.NOT_LOOKED,
    )
    when = WhenField(label=_("Opened"))


class WeighForm(forms.Form):
    gross_g = number(_("On the scale, with its reel"), "g", limits=limits.GROSS_G)
    resolution_g = number(_("Scale's smallest step"), "g", initial=1, limits=limits.SCALE_STEP_G)
    when = WhenField()
    note = forms.CharField(label=_("Note"), max_length=200, required=False)


class CorrectWeighingForm(forms.Form):
    gross_g = number(_("The right number, with the reel"), "g", limits=limits.GROSS_G)
    resolution_g = number(_("Scale's smallest step"), "g", initial=1, limits=limits.SCALE_STEP_G)


class ReelForm(VersionedForm):
    """Corrected values of a spool's reel."""

    batch = forms.CharField(label=_("Batch"), max_length=60, required=False)
    core_mass_g = number(_("Empty reel"), "g", limits=limits.CORE_G)
    core_mass_known = forms.BooleanField(
        label=_("This mass was weighed or is printed on the reel"), required=False
    )
    core_mass_band_g = number(_("Uncertain by, plus or minus"), "g", limits=limits.CORE_ERROR_G)
    core_cap_c = number(
        _("Hottest that the reel may get"),
        "°C",
        required=False,
        limits=limits.CORE_CAP_C,
        help_text=CAP_HELP,
    )
    core_radius_mm = number(_("Radius of the core, under the filament"), "mm", limits=limits.CORE_RADIUS_MM)
    width_mm = number(_("Width between the flanges"), "mm", limits=limits.WIDTH_MM)

    class Meta:
        model = Spool
        fields = REEL
        labels = {"core_material": _("Reel's material"), "batch": _("Batch")}


class RespoolForm(forms.Form):
    """Another reel. A common one fills in what is left empty."""

    core_kind = forms.ModelChoiceField(
        CoreKind.objects.all(), label=_("The new reel"), required=False, empty_label=_("as the numbers below")
    )
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
        _("Hottest that the reel may get"), "°C", required=False, limits=limits.CORE_CAP_C, help_text=CAP_HELP
    )
    core_radius_mm = number(
        _("Radius of the core, under the filament"), "mm", required=False, limits=limits.CORE_RADIUS_MM
    )
    width_mm = number(_("Width between the flanges"), "mm", required=False, limits=limits.WIDTH_MM)
    note = forms.CharField(label=_("Note"), max_length=200, required=False)
    when = WhenField()

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        kind: CoreKind | None = data.pop("core_kind", None)
        if kind is not None:
            if data.get("core_mass_g") is None:
                data |= {
                    "core_mass_g": kind.mass_g,
                    "core_mass_band_g": kind.mass_band_g,
                    "core_mass_known": False,
                }
            data["core_material"] = data.get("core_material") or kind.material
            for name in ("core_radius_mm", "width_mm"):
                if data.get(name) is None:
                    data[name] = getattr(kind, name)
        data["core_material"] = data.get("core_material") or Spool.CoreMaterial.UNKNOWN
        for name in ("core_mass_g", "core_radius_mm", "width_mm"):
            if name not in self.errors and data.get(name) is None:
                self.add_error(
                    name, refusal("reel_size_missing", gettext("Measure it, or choose a common reel above."))
                )
        return data


class JoinForm(forms.Form):
    """Another spool of the feedstock whose filament was joined onto this one."""

    mass_g = number(
        _("Grams of it"), "g", required=False, limits=limits.TAKEN_G, help_text=_("Empty: all of it.")
    )
    note = forms.CharField(label=_("Note"), max_length=200, required=False)
    when = WhenField()

    def __init__(self, *args: Any, target: Spool, **options: Any) -> None:
        super().__init__(*args, **options)
        others = Spool.objects.filter(ended_at=None, feedstock=target.feedstock).exclude(pk=target.pk)
        self.fields["source"] = forms.ModelChoiceField(
            others.select_related("feedstock__maker"), label=_("The leftover is on"), empty_label=_("Choose")
        )
        self.fields["source"].label_from_instance = lambda spool: pretty(spool.code)  # type: ignore[attr-defined]
        self.order_fields(["source"])


class ReceiptForm(forms.Form):
    """What a spool really was as it came. An empty mass was not stated."""

    feedstock = forms.ModelChoiceField(
        Feedstock.objects.select_related("maker", "polymer"), label=_("Feedstock"), empty_label=None
    )
    net_mass_g = number(_("Filament by the label"), "g", required=False, limits=limits.NET_G)
    gross_g = number(_("First weighing, with its reel"), "g", required=False, limits=limits.GROSS_G)
    reason = forms.CharField(label=_("Reason"), max_length=MAX_REASON_LENGTH)


class CutForm(forms.Form):
    mass_g = number(_("Cut off"), "g", limits=limits.TAKEN_G)
    when = WhenField()
    note = forms.CharField(
        label=_("Note"), max_length=200, required=False, help_text=_("Brittle end, a knot, a sample.")
    )


class EndForm(forms.Form):
    kind = forms.ChoiceField(
        label=_("How it left"),
        choices=Ending.Kind,
        widget=forms.RadioSelect,
        initial=Ending.Kind.EMPTY,
    )
    note = forms.CharField(
        label=_("Note"),
        max_length=200,
        required=False,
        help_text=_("To whom it went, or where it was seen last."),
    )
    when = WhenField()


class LoadForm(forms.Form):
    """The last word before a spool goes on a toolhead."""

    SELDOM = ("fed_from", "when")

    override_reason = forms.CharField(
        label=_("Load it in spite of the hold, because"),
        max_length=300,
        required=False,
        help_text=_("A hold needs a reason; it is stored with the loading."),
    )
    when = WhenField()

    def __init__(self, *args: Any, hold: bool, current_spool: Spool | None, **options: Any) -> None:
        """current_spool: the one that is on the toolhead and has to go."""
        super().__init__(*args, **options)
        if not hold:
            del self.fields["override_reason"]
        feeding = Place.objects.in_use().filter(feeds=True)
        if feeding.exists():
            choice = PlaceChoice(feeding, _("Fed from"))
            choice.required, choice.empty_label = False, _("a holder in the air of the printer")
            self.fields["fed_from"] = choice
            self.order_fields(["fed_from"])
        if current_spool is not None:
            code = pretty(current_spool.code)
            places = Place.objects.in_use().exclude(kind=Place.Kind.PRINTER)
            unload_to = PlaceChoice(
                places, _("{code} comes off and goes to").format(code=code), in_a_line=True
            )
            unload_to.error_messages["required"] = _("Choose where {code} goes.").format(code=code)
            self.fields["unload_to"] = unload_to

    @property
    def main_fields(self) -> list[forms.BoundField]:
        return [field for field in self if field.name not in self.SELDOM]

    @property
    def seldom_fields(self) -> list[forms.BoundField]:
        """Those whose initial values nearly always hold."""
        return [field for field in self if field.name in self.SELDOM]

    @property
    def has_wrong_seldom(self) -> bool:
        return any(field.errors for field in self.seldom_fields)
