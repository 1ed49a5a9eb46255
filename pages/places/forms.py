"""Forms of places, their readings and their desiccant."""

from typing import Any

from django import forms
from django.db.models import Q
from django.utils.translation import gettext, pgettext_lazy
from django.utils.translation import gettext_lazy as _

from pages.frame.forms import WhenField, number, with_point
from pages.frame.versions import VersionedForm
from spools import limits
from spools.air.salt_checks import USUAL_HOURS
from spools.facts import MAX_REASON_LENGTH
from spools.models import DesiccantCharge, Place, SaltCheck
from spools.physics.drybox import DAY_S, half_time_s
from spools.refusals import refusal

# Inputs of one kind of place each, which the page shows for that kind alone.
OF_KINDS = {
    Place.Kind.DRYER: [
        "max_set_point_c",
        "set_point_error_c",
        "spool_capacity",
        "air_exchange",
        "air_flow_l_min",
        "desiccant_dew_point_c",
    ],
    Place.Kind.DRY_BOX: ["volume_l", "half_time_h", "air_changes_day", "limit_rh_pct"],
    Place.Kind.BAG: ["film", "sachet_g"],
}


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
            "feeds",
            "max_set_point_c",
            "set_point_error_c",
            "spool_capacity",
            "air_exchange",
            "air_flow_l_min",
            "desiccant_dew_point_c",
            "volume_l",
            "half_time_h",
            "limit_rh_pct",
            "film",
            "sachet_g",
        ]
        labels = {
            "name": _("Name"),
            "kind": _("Kind"),
            "assumed_temperature_c": _("Assumed temperature, °C"),
            "assumed_rh_pct": _("Assumed humidity, % RH"),
            "room": _("Room that it stands in"),
            "moved_air": _("It has a fan"),
            "feeds": _("Filament can be fed from it while it prints"),
            "max_set_point_c": _("Hottest set point, °C"),
            "set_point_error_c": _("Error of the set point, K"),
            "spool_capacity": _("Spools that fit into a dryer at once"),
            "air_exchange": _("A dryer's exchange of air"),
            "air_flow_l_min": _("A dryer's air flow, litres a minute"),
            "desiccant_dew_point_c": _("Dew point over a dryer's desiccant, °C"),
            "volume_l": _("Volume of a dry box, litres"),
            "half_time_h": _("Half-time of a dry box, h"),
            "limit_rh_pct": _("Humidity limit of a dry box, % RH"),
            "film": _("Film of sealed bags"),
            "sachet_g": _("Silica gel in each bag, g"),
        }
        help_texts = {
            "assumed_temperature_c": _("Counts while there is no reading of the last 6 hours."),
            "room": _(
                "For a dryer or printer, which takes in its air and its readings unless it has its own, and for a dry box "
                "or bags, into which it leaks; bags may lie in a dry box. Empty: the assumed air above stands for that of "
                "the room, and a dry box is not computed."
            ),
            "film": _(
                "For sealed bags, one for each spool. With the room that they lie in, the air in each is computed."
            ),
            "sachet_g": _("A fresh sachet goes in each time that a bag is closed."),
            "volume_l": _(
                "While there is no reading, its air is computed from this, the half-time, the room and the desiccant."
            ),
            "half_time_h": _(
                "Without desiccant: hours until it is half way from dry to the room's humidity."
            ),
            "limit_rh_pct": _("Above it the desiccant is regenerated. Empty: as it was, 20 % for a new box."),
            "max_set_point_c": _("For a dryer: the hottest it can be set to."),
            "set_point_error_c": _("For a dryer: how far it may be off what it shows."),
            "spool_capacity": _("Empty: not known; the drying plan of the week then counts one."),
            "air_exchange": _(
                "The water that the spools give off leaves with the air: in a dryer that exchanges little, drying takes "
                "longer, the more so the more spools dry in it. Empty: as it was, freely for a new dryer."
            ),
            "air_flow_l_min": _(
                "Empty: as usual, about 15 vented freely, 1 vented a little, 5 over desiccant."
            ),
            "desiccant_dew_point_c": _("Of a dryer that is sealed, with desiccant. Empty: as usual, -10."),
            "moved_air": _("Moved air dries faster."),
            "feeds": _("For a dry box or a dryer with an outlet: a loaded spool can stay in it."),
        }

    air_changes_day = number(
        _("Or air changes of a dry box, a day"),
        required=False,
        limits=limits.AIR_CHANGES_DAY,
        help_text=_(
            "Instead of the half-time. Cases of museums: 0.1 very well sealed, 0.3 well, 1 moderately (the AIC's classes "
            "of seals)."
        ),
    )
    field_order = ["name", "kind", *Meta.fields[2:14], "air_changes_day"]

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        for name in ("limit_rh_pct", "sachet_g", "air_exchange"):
            self.fields[name].required = False
        if self.instance.kind == Place.Kind.PRINTER and self.instance.pk:
            self.fields["name"].disabled = True
            self.fields["name"].help_text = _("A printer's place has the printer's name. Rename the printer.")
        room: Any = self.fields["room"]
        room.queryset = room.queryset.filter(Q(retired_at=None) | Q(pk=self.instance.room_id))

    def basics(self) -> list[forms.BoundField]:
        """The inputs that every kind of place has."""
        special = {name for names in OF_KINDS.values() for name in names}
        return [self[name] for name in self.fields if name not in special]

    def of_kinds(self) -> list[tuple[str, list[forms.BoundField]]]:
        """The inputs of one kind of place each, by kind."""
        return [(kind.value, [self[name] for name in names]) for kind, names in OF_KINDS.items()]

    def clean_limit_rh_pct(self) -> float:
        limit = self.cleaned_data["limit_rh_pct"]
        return self.instance.limit_rh_pct if limit is None else limit

    def clean_sachet_g(self) -> float:
        return self.cleaned_data["sachet_g"] or 0.0

    def clean_air_exchange(self) -> str:
        return self.cleaned_data["air_exchange"] or self.instance.air_exchange

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        air_changes_day = data.get("air_changes_day")
        if air_changes_day and data.get("half_time_h"):
            raise refusal(
                "half_time_or_air_changes",
                gettext("Give the half-time or the air changes, not both."),
                "air_changes_day",
            )
        if air_changes_day:
            data["half_time_h"] = half_time_s(air_changes_day / DAY_S) / 3600
        return data

    def clean_kind(self) -> str:
        kind = self.cleaned_data["kind"]
        was = self.instance.kind
        if self.instance.pk and Place.Kind.PRINTER in (kind, was) and kind != was:
            sentence = gettext("A printer's place stays one. Add another place instead.")
            raise refusal("place_of_printer", sentence)
        if not self.instance.pk and kind == Place.Kind.PRINTER:
            sentence = gettext("Add the printer on the machines page; its place comes with it.")
            raise refusal("place_of_printer", sentence)
        return kind


class DesiccantForm(forms.Form):
    kind = forms.ChoiceField(label=_("Kind"), choices=DesiccantCharge.Kind)
    dry_mass_g = number(
        _("Mass when dry"), "g", limits=limits.DESICCANT_G, help_text=_("0: the desiccant was taken out.")
    )
    condition = forms.ChoiceField(
        label=_("Condition"),
        choices=DesiccantCharge.Condition,
        widget=forms.RadioSelect,
        help_text=_("Unknown counts as spent: in equilibrium with the room."),
    )
    regenerated_c = number(
        _("Regenerated at"),
        "°C",
        required=False,
        limits=limits.REGENERATION_C,
        help_text=_("Where it was regenerated."),
    )
    when = WhenField()
    note = forms.CharField(label=_("Note"), max_length=200, required=False)

    charge: DesiccantCharge


class SaltCheckForm(forms.Form):
    rh_pct = number(_("It reads"), _("% RH"), limits=limits.RH_PCT)
    temperature_c = number(_("Temperature in the bag"), "°C", limits=limits.SALT_CHECK_C)
    hours = number(
        _("Time in the bag"),
        "h",
        limits=limits.SALT_CHECK_HOURS,
        initial=USUAL_HOURS,
        help_text=_("Readings from these hours do not count as air of this place."),
    )
    when = WhenField()

    check: SaltCheck


class ReadingForm(forms.Form):
    temperature_c = number(_("Temperature"), "°C", limits=limits.TEMPERATURE_C)
    rh_pct = number(_("Humidity"), _("% RH"), limits=limits.RH_PCT)
    when = WhenField()


class CorrectReadingForm(forms.Form):
    temperature_c = number(_("Temperature"), "°C", limits=limits.TEMPERATURE_C)
    rh_pct = number(_("Humidity"), _("% RH"), limits=limits.RH_PCT)


class WithdrawReadingsForm(forms.Form):
    start = WhenField(
        label=pgettext_lazy("time", "From"),
        help_text=_("For one reading give its time twice."),
        required=True,
    )
    end = WhenField(label=pgettext_lazy("time", "Until"), help_text="", required=True)
    reason = forms.CharField(
        label=_("Reason"), max_length=MAX_REASON_LENGTH, help_text=_("A stuck sensor, the wrong shelf.")
    )


class ReadingsFileForm(forms.Form):
    file = forms.FileField(
        label=_("CSV file"),
        help_text=_("Columns time, temperature_c, rh_pct; times like 2026-01-31 08:00, in the shop's zone."),
    )
