"""Forms of the drying, machines, parts, jobs, stock and reminders pages."""

from datetime import timedelta
from typing import Any

from django import forms
from django.db import DataError
from django.db.models import F, Q, QuerySet
from django.utils import timezone

from maintenance import limits as machine_limits
from maintenance.models import BoreReading, Fitting, Loading, Part, PartKind, Printer, Toolhead
from maintenance.wear.bore import WORN_GROWTH_PCT
from pages.frame.forms import WhenField, number, with_point
from pages.frame.versions import VersionedForm
from spools import limits
from spools.codes import pretty
from spools.drying.gate import open_runs
from spools.drying.options import GOALS, PlanRequest
from spools.models import DryingRun, Place, Spool
from spools.refusals import refusal
from spools.wording import format_time

# A job that is recorded late may belong to a spool that has been unloaded since.
LATE_JOBS = timedelta(days=14)


class SpoolsField(forms.ModelMultipleChoiceField):
    def clean(self, value: Any) -> Any:
        chosen = [pk for pk in value or () if str(pk).isdecimal()]
        try:
            for run in open_runs().filter(spool__in=chosen):
                raise refusal(
                    "drying_already",
                    f"Spool {pretty(run.spool.code)} is drying in {run.dryer} already, since "
                    f"{format_time(run.start)}. Finish that run first, or leave the spool out.",
                )
            return super().clean(value)
        except (OverflowError, DataError):
            raise refusal("unknown_spool", "There is no such spool. Choose from the list.") from None


class TogetherForm(forms.Form):
    """What goes into a dryer together, how hot, how dry."""

    set_point_c = number(
        "Set point",
        "°C",
        required=False,
        limits=limits.SET_POINT_C,
        help_text="Empty: the best that all spools allow.",
    )
    mass_g = number(
        "Only the turns of jobs of",
        "g",
        required=False,
        limits=limits.NEEDED_G,
        help_text="Empty: the whole spools.",
    )
    goal = forms.ChoiceField(label="Goal", choices=GOALS, required=False)

    def __init__(self, *args: Any, choosable: QuerySet[Spool], **options: Any) -> None:
        super().__init__(*args, **options)
        self.fields["spools"] = SpoolsField(
            choosable,
            widget=forms.CheckboxSelectMultiple,
            error_messages={"required": "Choose at least one spool."},
        )

    def asked(self) -> list[forms.BoundField]:
        """The inputs beside the spools."""
        return [self[name] for name in ("set_point_c", "mass_g", "goal")]

    def plan_request(self) -> PlanRequest:
        names = ("set_point_c", "mass_g", "goal")
        return PlanRequest(**{name: self.cleaned_data[name] for name in names if self.cleaned_data[name]})


class DryForm(forms.Form):
    """The start of what was planned: how long, since when, and what the spools weigh before."""

    first_set_point_c = number(
        "First stage",
        "°C",
        required=False,
        limits=limits.SET_POINT_C,
        help_text="A cooler start. Empty: one stage.",
    )
    first_hours = number("Hours of the first stage", required=False, limits=limits.RUN_HOURS)
    planned_hours = number(
        "Hours in all",
        limits=limits.RUN_HOURS,
        required=False,
        help_text="Empty: the usual ones.",
    )
    when = WhenField(label="Started")
    resolution_g = number("Scale's smallest step", "g", initial=1, limits=limits.SCALE_STEP_G)

    def __init__(self, *args: Any, spools: list[Spool], **options: Any) -> None:
        super().__init__(*args, **options)
        self.weighed = {spool.pk: f"gross_g_{spool.pk}" for spool in spools}
        for spool in spools:
            self.fields[self.weighed[spool.pk]] = number(
                f"{pretty(spool.code)} with its reel", "g", required=False, limits=limits.GROSS_G
            )

    def stages(self) -> list[forms.BoundField]:
        names = ("first_set_point_c", "first_hours", "planned_hours", "when")
        return [self[name] for name in names]

    def weighings(self) -> list[forms.BoundField]:
        return [self[name] for name in self.weighed.values()]

    def gross_g(self) -> dict[int, float]:
        """Grams by spool id, of the spools that were weighed before drying."""
        found = {pk: self.cleaned_data[name] for pk, name in self.weighed.items()}
        return {pk: mass_g for pk, mass_g in found.items() if mass_g is not None}


class FinishForm(forms.Form):
    """One drying run that ends: whether it does, where the spool goes, what it weighs."""

    out = forms.BooleanField(label="Take out", required=False, initial=True)
    place = forms.ModelChoiceField(
        Place.objects.exclude(kind=Place.Kind.DRYER),
        label="It goes to",
        required=False,
        help_text="Needed when it is taken out.",
    )
    gross_g = number("Weighs now, with its reel", "g", required=False, limits=limits.GROSS_G)

    def __init__(self, data: Any, *, run: DryingRun) -> None:
        super().__init__(data, prefix=f"run{run.pk}")
        self.run = run

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if data.get("out") and not data.get("place"):
            self.add_error("place", "Say where it goes.")
        return data


class FinishAllForm(forms.Form):
    resolution_g = number("Scale's smallest step", "g", initial=1, limits=limits.SCALE_STEP_G)
    when = WhenField()


class PrinterForm(forms.ModelForm):
    assumed_temperature_c = number(
        "Room temperature where it stands", "°C", limits=limits.TEMPERATURE_C, initial=22
    )
    assumed_rh_pct = number("Room humidity where it stands", "% RH", limits=limits.RH_PCT, initial=50)

    class Meta:
        model = Printer
        formfield_callback = with_point
        fields = ["name", "bed_max_c", "enclosed", "e_follows_g90"]


class RetireForm(forms.Form):
    when = WhenField(label="Out of use since")


class ToolheadForm(forms.ModelForm):
    class Meta:
        formfield_callback = with_point
        model = Toolhead
        fields = ["name", "hot_end_max_c", "ptfe_lined", "feed", "tail_mm"]
        labels = {
            "name": "Toolhead",
            "feed": "Filament drive",
            "tail_mm": "Filament that cannot be fed when the spool ends, mm",
        }


class FitForm(forms.Form):
    """A part for a role that is free: a new one from stock, or one that was taken off sound."""

    when = WhenField()

    def __init__(
        self, *args: Any, kinds: list[PartKind], counts: dict[int, int], used: list[Part], **options: Any
    ):
        super().__init__(*args, **options)
        self.kinds = {f"kind-{kind.pk}": kind for kind in kinds if counts.get(kind.pk, 0) > 0}
        self.used = {f"part-{part.pk}": part for part in used}
        choices = [
            *((key, f"New {kind} ({counts[kind.pk]} in stock)") for key, kind in self.kinds.items()),
            *((key, f"Used {part}, taken off sound") for key, part in self.used.items()),
        ]
        self.fields["source"] = forms.ChoiceField(label="Part", widget=forms.RadioSelect, choices=choices)
        self.order_fields(["source"])


class KindField(forms.ModelChoiceField):
    """Kinds of part with how many are in stock; the counts come by kind id."""

    def __init__(self, kinds: QuerySet[PartKind], counts: dict[int, int]) -> None:
        super().__init__(kinds, label="New part", empty_label=None)
        self.counts = counts

    def label_from_instance(self, kind: PartKind) -> str:
        return f"{kind} ({self.counts.get(kind.pk, 0)} in stock)"


class ReplaceForm(forms.Form):
    removal = forms.ChoiceField(label="Reason for removing the old one", choices=Fitting.Removal)
    when = WhenField()

    def __init__(self, data: Any, *, kinds: QuerySet[PartKind], counts: dict[int, int], initial: dict):
        super().__init__(data, initial=initial)
        self.fields["kind"] = KindField(kinds, counts)
        self.order_fields(["kind"])


class RemoveForm(forms.Form):
    removal = forms.ChoiceField(label="Reason for removing it", choices=Fitting.Removal)
    when = WhenField()


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
    # What the verdict was shown for; a change after that shows the verdict again.
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


class BoreForm(forms.Form):
    """A nozzle's bore, measured."""

    bore_mm = number("Bore", "mm", min_value=0, step="0.001")
    error_mm = number(
        "Give or take",
        "mm",
        min_value=0,
        step="0.001",
        help_text="Standard error: a pin gauge about half its step, a microscope what it can repeat.",
    )
    method = forms.ChoiceField(label="Measured with", choices=BoreReading.Method)
    note = forms.CharField(max_length=200, required=False)
    when = WhenField()


class StockForm(forms.Form):
    kind = forms.ModelChoiceField(PartKind.objects.all(), label="Part", empty_label=None)
    count = forms.IntegerField(
        label="Quantity", initial=1, help_text="A negative number corrects a count that was too high."
    )
    note = forms.CharField(max_length=200, required=False)
    when = WhenField()


class PartKindForm(VersionedForm):
    class Meta:
        formfield_callback = with_point
        model = PartKind
        fields = [
            "role",
            "name",
            "material",
            "hardness_hv",
            "bore_mm",
            "max_c",
            "heat_reference_c",
            "worn_growth_pct",
            "life_unit",
            "life",
            "life_low",
            "life_high",
            "source",
            "how",
            "price",
            "reorder_point",
        ]
        labels = {
            "bore_mm": "Bore, mm",
            "life_unit": "Its life is counted in",
            "life_low": "Life of a short-lived one",
            "life_high": "Life of a long-lived one",
            "source": "Who says how long it lasts",
            "how": "How that is known",
        }
        help_texts = {
            "bore_mm": "For a nozzle.",
            "worn_growth_pct": "For a nozzle: its life is the way until then.",
            "how": "Such as published, maker's statement, from memory, own replacements.",
            "reorder_point": "A reminder comes when no more than this many are left.",
        }

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self.fields["worn_growth_pct"].required = False

    def clean_worn_growth_pct(self) -> float:
        return self.cleaned_data["worn_growth_pct"] or WORN_GROWTH_PCT

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if data.get("role") == PartKind.Role.NOZZLE and data.get("bore_mm") is None:
            self.add_error("bore_mm", "A nozzle needs its bore.")
        low, life, high = (data.get(name) for name in ("life_low", "life", "life_high"))
        if low is not None and life is not None and high is not None and not 0 < low <= life <= high:
            self.add_error(
                "life", "The expected life must lie between the short-lived and the long-lived one, above 0."
            )
        return data
