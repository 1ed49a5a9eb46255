"""Forms of the flow check: what will be extruded, then what it weighed."""

from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from maintenance import limits
from maintenance.flow.curve import (
    MOST_REPEATS,
    CheckRefused,
    CheckSetup,
    RateMasses,
    require_fine_scale,
    require_possible_mass,
    require_rising_rates,
)
from maintenance.flow.gcode import blobs_in_order
from maintenance.flow.records import TOLERANCE_MM, require_setup, require_temperature
from pages.frame.forms import WhenField, number, show_refusal
from pages.machines.loadings import LoadingField, recent_loadings
from spools.refusals import refusal
from spools.wording import format_exact

USUAL_RATES = "1, 3, 5, 8, 12"
# The reference, twice, and two rates: four blobs, six minutes of extruding, under ten with the weighing. It shows
# whether the drive slips; a full check says from which flow on.
SHORT_CHECK = {"rates": "3, 6, 10", "repeats": 1, "length_mm": 150}


class FlowPlanForm(forms.Form):
    """Toolhead, spool, and the blobs that will be extruded. A scale too coarse for them is refused here."""

    nozzle_c = number(
        gettext_lazy("Nozzle"),
        "°C",
        limits=limits.NOZZLE_C,
        help_text=gettext_lazy("As hot as you print with it."),
    )
    rates = forms.CharField(
        label=gettext_lazy("Rates, mm³/s"),
        initial=USUAL_RATES,
        max_length=200,
        help_text=gettext_lazy("The slow reference first, then rising, with commas between."),
    )
    repeats = forms.IntegerField(
        label=gettext_lazy("Rounds"),
        initial=3,
        min_value=1,
        max_value=MOST_REPEATS - 1,
        help_text=gettext_lazy("Each round extrudes every rate once. 3 to 5 is common practice, no source."),
    )
    length_mm = number(gettext_lazy("Filament per blob"), "mm", initial=200)
    resolution_g = number(gettext_lazy("Scale's smallest step"), "g", initial=0.01)
    diameter_mm = number(
        gettext_lazy("Filament's diameter, measured"),
        "mm",
        required=False,
        help_text=gettext_lazy("Empty: that of its label."),
    )
    diameter_tolerance_mm = number(gettext_lazy("Give or take"), "mm", initial=TOLERANCE_MM)

    SETUP = ["length_mm", "resolution_g", "diameter_mm", "diameter_tolerance_mm"]

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self.fields["loading"] = LoadingField(
            recent_loadings(), label=_("Machine and spool"), empty_label=None
        )
        self.order_fields(["loading"])
        self.setup: CheckSetup | None = None

    def clean_rates(self) -> list[float]:
        rates = []
        for text in self.cleaned_data["rates"].replace(";", ",").split(","):
            try:
                rates.append(float(text))
            except ValueError:
                raise refusal(
                    "not_a_number",
                    _("“{text}” is no number. Give the rates as in {rates}.").format(
                        text=text.strip(), rates=USUAL_RATES
                    ),
                ) from None
        try:
            require_rising_rates(rates)
        except CheckRefused as refused:
            raise refusal(refused.code, str(refused)) from None
        return rates

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if not self.errors:
            try:
                self.setup = require_setup(data["loading"].spool, **self.setup_values())
                require_fine_scale(self.setup)
                loading = data["loading"]
                require_temperature(loading.toolhead, loading.spool, data["nozzle_c"], timezone.now())
            except CheckRefused as refused:
                self.add_error(refused.field, refusal(refused.code, str(refused)))
            except ValidationError as error:
                show_refusal(self, error)
        return data

    def setup_values(self) -> dict[str, Any]:
        return {name: self.cleaned_data[name] for name in self.SETUP}

    def blobs(self) -> list[float]:
        """The rate of each blob, in the order of extruding."""
        return blobs_in_order(self.cleaned_data["rates"], self.cleaned_data["repeats"])


class FlowMassesForm(forms.Form):
    """Masses of the blobs of a plan; the field of a lost blob stays empty."""

    when = WhenField(label=gettext_lazy("Extruded"), help_text=gettext_lazy("Empty: now."))
    note = forms.CharField(label=gettext_lazy("Note"), max_length=300, required=False)

    def __init__(self, *args: Any, blobs: list[float], setup: CheckSetup, **options: Any) -> None:
        super().__init__(*args, **options)
        self.setup = setup
        self.by_blob = {f"blob_{n}": flow for n, flow in enumerate(blobs, start=1)}
        for n, (name, flow) in enumerate(self.by_blob.items(), start=1):
            self.fields[name] = number(
                _("Blob {n} at {flow} mm³/s").format(n=n, flow=format_exact(flow)),
                "g",
                required=False,
                min_value=0,
            )

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        for name, flow in self.by_blob.items():
            if (mass_g := data.get(name)) is not None:
                try:
                    require_possible_mass(self.setup, flow, mass_g)
                except CheckRefused as refused:
                    self.add_error(name, refusal(refused.code, str(refused)))
        return data

    def masses(self) -> list[forms.BoundField]:
        return [self[name] for name in self.by_blob]

    def rate_masses(self) -> list[RateMasses]:
        """The blobs by rate, in rising order."""
        masses: dict[float, list[float]] = {flow: [] for flow in sorted(self.by_blob.values())}
        for name, flow in self.by_blob.items():
            if (mass_g := self.cleaned_data[name]) is not None:
                masses[flow].append(mass_g)
        return [RateMasses(flow, tuple(of_rate)) for flow, of_rate in masses.items()]
