"""Forms of printers and toolheads."""

from django import forms

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
        "Room temperature where it stands", "°C", limits=limits.TEMPERATURE_C, initial=22
    )
    assumed_rh_pct = number("Room humidity where it stands", "% RH", limits=limits.RH_PCT, initial=50)


class RetireForm(forms.Form):
    when = WhenField(label="Out of use since")


class ToolheadForm(VersionedForm):
    class Meta:
        formfield_callback = with_point
        model = Toolhead
        fields = ["name", "hot_end_max_c", "ptfe_lined", "feed", "tail_mm"]
        labels = {
            "name": "Toolhead",
            "feed": "Filament drive",
            "tail_mm": "Filament that cannot be fed when the spool ends, mm",
        }
