"""Forms of usage and rates."""

from datetime import date, datetime, time, timedelta
from typing import Any

from django import forms
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from maintenance import limits
from maintenance.costs.usage import GROUPS
from maintenance.models import CostRates, Printer
from pages.frame.forms import number
from pages.frame.versions import VersionedForm
from spools.refusals import refusal

# The report begins so many months before the present one, unless asked otherwise.
MONTHS_SHOWN = 6
GROUP_WORDS = {
    "month": gettext_lazy("Month"),
    "material": gettext_lazy("Material"),
    "printer": gettext_lazy("Printer"),
    "project": gettext_lazy("Project"),
}


class UsageForm(forms.Form):
    """The span and the groups of a report."""

    by = forms.ChoiceField(label=gettext_lazy("By"), choices=[(name, GROUP_WORDS[name]) for name in GROUPS])
    since = forms.DateField(
        label=gettext_lazy("From"), widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")
    )
    until = forms.DateField(
        label=gettext_lazy("Until, included"),
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
    )

    def __init__(self, query: Any) -> None:
        today = timezone.localdate()
        month = today.year * 12 + today.month - MONTHS_SHOWN
        usual = {"by": "month", "since": date(month // 12, month % 12 + 1, 1), "until": today}
        super().__init__({name: query.get(name) or usual[name] for name in usual})

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if not self.errors and data["until"] < data["since"]:
            self.add_error(
                "until", refusal("until_before_since", _("Give a day that is not before the first."))
            )
        return data

    @property
    def span(self) -> tuple[datetime, datetime]:
        """From the start of the first day to the end of the last, in the shop's zone."""
        days = self.cleaned_data["since"], self.cleaned_data["until"] + timedelta(days=1)
        since, until = (timezone.make_aware(datetime.combine(day, time())) for day in days)
        return since, until


class RatesForm(VersionedForm):
    """The shop's rates, and for each printer those of its hours."""

    energy_per_kwh = number(gettext_lazy("Power, for each kWh"), required=False, limits=limits.RATE)

    class Meta:
        model = CostRates
        fields = ["currency", "energy_per_kwh"]
        help_texts = {"currency": gettext_lazy("Three letters, such as EUR.")}

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self.printers = list(Printer.objects.filter(retired_at=None))
        for printer in self.printers:
            self.fields[f"hour_{printer.pk}"] = number(
                _("{printer}: an hour of printing").format(printer=printer),
                required=False,
                limits=limits.RATE,
                initial=printer.hour_rate,
            )
            self.fields[f"power_{printer.pk}"] = number(
                _("{printer}: mean power").format(printer=printer),
                "W",
                required=False,
                limits=limits.POWER_W,
                initial=printer.power_w,
            )

    def machines(self) -> dict[int, tuple[float | None, float | None]]:
        """(rate of an hour, W) by printer."""
        data = self.cleaned_data
        return {row.pk: (data[f"hour_{row.pk}"], data[f"power_{row.pk}"]) for row in self.printers}
