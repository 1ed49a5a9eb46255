"""Forms of printers and toolheads."""

from typing import Any

from django import forms
from django.utils.translation import gettext_lazy

from maintenance.models import Printer, Toolhead
from pages.frame.forms import WhenField, number, with_point
from pages.frame.versions import VersionedForm
from spools import limits


class PrinterForm(VersionedForm):
    """A printer that is corrected."""

    class Meta:
        model = Printer
        formfield_callback = with_point
        fields = ["name", "bed_max_c", "enclosed", "e_follows_g90"]


class NewPrinterForm(PrinterForm):
    """A printer with the room that it stands in."""

    assumed_temperature_c = number(
        gettext_lazy("Room temperature where it stands"), "°C", limits=limits.TEMPERATURE_C, initial=22
    )
    assumed_rh_pct = number(
        gettext_lazy("Room humidity where it stands"), gettext_lazy("% RH"), limits=limits.RH_PCT, initial=50
    )


class RetireForm(forms.Form):
    when = WhenField(label=gettext_lazy("Out of use since"))


class ToolheadForm(VersionedForm):
    CHANGER = ("slots", "purge_g")

    class Meta:
        formfield_callback = with_point
        model = Toolhead
        fields = ["name", "hot_end_max_c", "ptfe_lined", "feed", "tail_mm", "slots", "purge_g"]
        labels = {
            "name": gettext_lazy("Toolhead"),
            "feed": gettext_lazy("Filament drive"),
            "tail_mm": gettext_lazy("Filament that cannot be fed when the spool ends, mm"),
            "slots": gettext_lazy("Spools loaded at once"),
            "purge_g": gettext_lazy("Filament purged at each change of spool, g"),
        }
        help_texts = {
            "slots": gettext_lazy("More than 1 with a spool changer: its slots."),
            "purge_g": gettext_lazy(
                "By the machine, beyond what the job file feeds; 0 where the file purges by itself."
            ),
        }

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        for name in self.CHANGER:
            self.fields[name].required = False

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        # Most toolheads hold one spool: left out, they stay as they are.
        return data | {
            name: getattr(self.instance, name)
            for name in self.CHANGER
            if name not in self.errors and data.get(name) is None
        }
