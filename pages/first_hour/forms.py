"""Four questions of the first hour: room, printer, filament, spools. Guesses stand in the fields, marked as such."""

from datetime import datetime, timedelta
from typing import Any

from django import forms
from django.utils import timezone
from django.utils.translation import gettext, pgettext_lazy
from django.utils.translation import gettext_lazy as _

from maintenance import limits as machine_limits
from maintenance.first_hour import PTFE, FirstShop, PartOnMachine
from maintenance.models import PartKind, Printer, Toolhead
from pages.frame.forms import CatalogueChoice, number
from spools import limits
from spools.inventory.receiving import GUESSED_C, GUESSED_RH_PCT, suggest_reel
from spools.models import Feedstock, Filler, Place, Polymer
from spools.refusals import refusal

UNKNOWN = "unknown"
# Months, or days, by which an age is meant.
PART_AGES = [
    (UNKNOWN, _("not known")),
    ("0", _("just fitted")),
    ("1", _("about a month")),
    ("3", _("about 3 months")),
    ("6", _("about half a year")),
    ("12", _("about a year")),
    ("24", _("2 years or more")),
]
SPOOL_AGES = [
    (UNKNOWN, _("not known")),
    ("0", _("today")),
    ("7", _("about a week")),
    ("30", _("about a month")),
    ("90", _("about 3 months")),
    ("180", _("about half a year")),
    ("365", _("a year or more")),
]
GUESSED_G, GUESSED_HOT_END_C, GUESSED_BED_C = 1000, 300, 100
GUESSED_GEARS = "unknown"
OPENED, SEALED = "opened", "sealed"


def _kinds(role: str) -> Any:
    return PartKind.objects.filter(role=role).order_by("pk")


class FirstHourForm(forms.Form):
    """All four questions. clean() puts no facts together: build_shop does."""

    room_name = forms.CharField(label=_("Name of the room"), max_length=60)
    room_c = number(_("Temperature"), "°C", limits=limits.TEMPERATURE_C, initial=f"{GUESSED_C:g}")
    room_rh_pct = number(
        _("Humidity"), _("% RH"), limits=limits.RH_PCT, initial=f"{GUESSED_RH_PCT[Place.Kind.SHELF]:g}"
    )

    printer_name = forms.CharField(label=_("Name of the printer"), max_length=60)
    nozzle = CatalogueChoice(
        _kinds(PartKind.Role.NOZZLE), label=_("Nozzle that is on it"), empty_label=_("Choose")
    )
    nozzle_age = forms.ChoiceField(label=_("On it since"), choices=PART_AGES, initial=UNKNOWN)
    gears = CatalogueChoice(
        _kinds(PartKind.Role.GEARS), label=_("Drive gears"), required=False, empty_label=_("not known")
    )
    gears_age = forms.ChoiceField(label=_("On it since"), choices=PART_AGES, initial=UNKNOWN, required=False)
    liner = CatalogueChoice(
        _kinds(PartKind.Role.LINER),
        label=_("Liner of the hot end"),
        required=False,
        empty_label=_("not known: counts as PTFE"),
        help_text=_(
            "PTFE decomposes above 250 °C and gives off harmful fumes: until you know better, this is the limit."
        ),
    )
    liner_age = forms.ChoiceField(label=_("On it since"), choices=PART_AGES, initial=UNKNOWN, required=False)
    hot_end_max_c = number(
        _("Hottest hot end"), "°C", limits=machine_limits.MACHINE_MAX_C, initial=GUESSED_HOT_END_C
    )
    bed_max_c = number(_("Hottest bed"), "°C", limits=machine_limits.MACHINE_MAX_C, initial=GUESSED_BED_C)
    enclosed = forms.BooleanField(label=_("It has an enclosure"), required=False)

    polymer = CatalogueChoice(Polymer.objects.all(), label=_("Material"), empty_label=_("Choose"))
    maker = forms.CharField(label=_("Maker"), max_length=80, required=False)
    colour = forms.CharField(label=pgettext_lazy("filament", "Colour"), max_length=40, required=False)
    filler = CatalogueChoice(Filler.objects.all(), label=_("Filler"), required=False, empty_label=_("none"))
    filler_pct = number(
        _("Filler, share of the mass"),
        "%",
        required=False,
        min_value=1,
        max_value=90,
        help_text=_("Empty: 15 %, a guess."),
    )

    count = forms.IntegerField(
        label=_("How many spools of it"),
        initial=1,
        widget=forms.TextInput(attrs={"inputmode": "numeric", "autocomplete": "off"}),
    )
    state = forms.ChoiceField(
        label=_("Their bags"),
        choices=[(OPENED, _("opened")), (SEALED, _("sealed"))],
        widget=forms.RadioSelect,
    )
    since = forms.ChoiceField(label=_("So since"), choices=SPOOL_AGES, initial=UNKNOWN)
    net_mass_g = number(_("Filament on each"), "g", limits=limits.NET_G, initial=GUESSED_G)

    GUESSED = {"room_c", "room_rh_pct", "net_mass_g", "hot_end_max_c", "bed_max_c"}
    QUESTIONS = [
        ("room", _("Which room?"), ["room_name", "room_c", "room_rh_pct"], []),
        (
            "printer",
            _("Which printer, and which nozzle is on it?"),
            ["printer_name", "nozzle", "nozzle_age"],
            ["gears", "gears_age", "liner", "liner_age", "hot_end_max_c", "bed_max_c", "enclosed"],
        ),
        ("filament", _("Which filament?"), ["polymer", "maker", "colour"], ["filler", "filler_pct"]),
        ("spools", _("How many spools?"), ["count", "state", "since", "net_mass_g"], []),
    ]

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self.fields["room_name"].initial = gettext("Workshop")
        for name in self.GUESSED:
            self.fields[name].help_text = gettext("A guess: change it if you know better.")

    def questions(self) -> list[dict[str, Any]]:
        """Each with its fields, and those that nearly always hold."""
        return [
            {
                "key": key,
                "title": title,
                "fields": [self[name] for name in names],
                "seldom": [self[name] for name in seldom],
                "open": any(self[name].errors for name in seldom),
            }
            for key, title, names, seldom in self.QUESTIONS
        ]

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        # The place of a printer has its name.
        for name in ("room_name", "printer_name"):
            if data.get(name) and Place.objects.filter(name=data[name]).exists():
                self.add_error(name, refusal("name_taken", gettext("This name is taken. Give another one.")))
        if data.get("room_name") and data.get("room_name") == data.get("printer_name"):
            self.add_error(
                "printer_name", refusal("name_taken", gettext("Give the printer another name than the room."))
            )
        if data.get("filler_pct") is not None and data.get("filler") is None:
            self.add_error(
                "filler", refusal("filler_missing", gettext("Choose the filler, or leave its share empty."))
            )
        return data

    def build_shop(self) -> FirstShop:
        """What was answered, with what is assumed for the rest."""
        data, now = self.cleaned_data, timezone.now()
        polymer, filler = data["polymer"], data["filler"]
        name = str(polymer) if filler is None else f"{polymer} {filler}"
        share = (data["filler_pct"] or 15.0) / 100 if filler is not None else 0.0
        maker = data["maker"] or gettext("unknown maker")
        feedstock = Feedstock.objects.filter(
            maker__name__iexact=maker, name=name, colour=data["colour"], filler=filler, polymer=polymer
        ).first() or Feedstock(
            polymer=polymer, name=name, colour=data["colour"], filler=filler, filler_mass_fraction=share
        )
        received_at = None if data["since"] == UNKNOWN else now - timedelta(days=int(data["since"]))
        return FirstShop(
            room=Place(
                name=data["room_name"],
                kind=Place.Kind.SHELF,
                assumed_temperature_c=data["room_c"],
                assumed_rh_pct=data["room_rh_pct"],
            ),
            printer=Printer(
                name=data["printer_name"], bed_max_c=data["bed_max_c"], enclosed=data["enclosed"]
            ),
            toolhead=Toolhead(name="T0", hot_end_max_c=data["hot_end_max_c"]),
            parts=self._list_parts(data),
            feedstock=feedstock,
            maker=maker,
            spool=self._describe_spool(data, received_at),
            count=data["count"],
            received_at=received_at,
        )

    def _list_parts(self, data: dict[str, Any]) -> list[PartOnMachine]:
        gears = data["gears"] or _kinds(PartKind.Role.GEARS).filter(material=GUESSED_GEARS).first()
        liner = data["liner"] or _kinds(PartKind.Role.LINER).filter(material=PTFE).first()
        named = [(data["nozzle"], "nozzle_age"), (gears, "gears_age"), (liner, "liner_age")]
        return [PartOnMachine(kind, _months(data[age])) for kind, age in named if kind is not None]

    def _describe_spool(self, data: dict[str, Any], received_at: datetime | None) -> dict[str, Any]:
        """An opened one came in a sealed bag that was opened then; since when is not known: it came open."""
        is_sealed = data["state"] == SEALED
        return {
            "net_mass_g": data["net_mass_g"],
            "sealed": is_sealed or received_at is not None,
            "opened": not is_sealed,
            **suggest_reel(data["net_mass_g"]),
        }


def _months(age: str) -> float | None:
    return None if age in ("", UNKNOWN) else float(age)
