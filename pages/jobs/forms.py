"""The form of a job that is recorded by hand."""

from datetime import timedelta
from typing import Any

from django import forms
from django.db.models import F, Q, QuerySet
from django.utils import timezone

from maintenance import limits as machine_limits
from maintenance.models import Loading
from pages.frame.forms import WhenField, number
from spools.codes import pretty
from spools.wording import format_time

# A job that is recorded late may belong to a spool that has been unloaded since.
LATE_JOBS = timedelta(days=14)


class LoadingField(forms.ModelChoiceField):
    def label_from_instance(self, loading: Loading) -> str:
        return f"{loading.toolhead}: {pretty(loading.spool.code)} {loading.spool.feedstock}{until(loading)}"


def recent_loadings() -> QuerySet[Loading]:
    """Spools on their toolheads, and those that came off lately, present ones first."""
    recent = Q(off_at=None) | Q(off_at__gt=timezone.now() - LATE_JOBS)
    loadings = (
        Loading.objects.with_off_at()
        .filter(recent)
        .select_related(
            "toolhead__printer",
            "spool__feedstock__maker",
            "spool__feedstock__polymer",
            "spool__feedstock__filler",
        )
    )
    return loadings.order_by(F("off_at").desc(nulls_first=True), "toolhead__printer__name")


def until(loading: Any) -> str:
    """Until when it was on its toolhead, where it is not any more; of a loading with its off_at."""
    return "" if loading.off_at is None else f", until {format_time(loading.off_at)}"


class JobForm(forms.Form):
    name = forms.CharField(label="Name", max_length=120)
    mass_g = number("Filament", "g", limits=machine_limits.JOB_G)
    hours = number("Printing time", "h", limits=machine_limits.JOB_HOURS)
    retracted_m = number(
        "Filament retracted in all",
        "m",
        required=False,
        limits=machine_limits.RETRACTED_M,
        help_text="Length times count of the retractions, if known: they wear the drive gears.",
    )
    nozzle_c = number("Nozzle", "°C", limits=machine_limits.NOZZLE_C)
    bed_c = number("Bed", "°C", limits=machine_limits.BED_C)
    max_flow_mm3_s = number(
        "Fastest flow", "mm³/s", required=False, limits=machine_limits.FLOW_MM3_S, help_text="If you know it."
    )
    when = WhenField(label="Started", help_text="Empty: now. Give the start when you record it later.")
    override_reason = forms.CharField(
        label="Reason to print on a hold",
        max_length=300,
        required=False,
        help_text="Required on a hold; it is stored with the job.",
        widget=forms.Textarea(attrs={"rows": 2}),
    )
    # The inputs of the verdict on the page; after a change the new verdict is shown first.
    checked = forms.CharField(required=False, widget=forms.HiddenInput)

    ASKED = ["loading", "mass_g", "hours", "nozzle_c", "bed_c", "max_flow_mm3_s", "when"]

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self.fields["loading"] = LoadingField(recent_loadings(), label="Machine and spool", empty_label=None)
        self.order_fields(["loading"])

    def asked(self) -> str:
        """The numbers that the verdict depends on, as one text."""
        return " ".join(
            str(getattr(self.cleaned_data[name], "pk", self.cleaned_data[name])) for name in self.ASKED
        )
